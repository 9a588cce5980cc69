"""What is looked at and changes nothing: counts, levels, temperatures, sand tests, calibrations."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta

from making import truth
from making.daily import sieve
from making.moulding import DRAWS, SAND_KG_MIN
from making.yard import FIRST, OPENING_KG, Yard, kg, on

COUNTED_MONTHLY = (
    "silo_new", "silo_f", "silo_e", "heap_f", "heap_e",
    "tank_resin_f", "tank_acid", "tank_resin_e", "ester_slow", "ester_fast",
)  # fmt: skip
METHOD = {
    "silo": "bob and tape", "tank": "dip stick", "heap": "survey", "skip": "skip on the scale",
    "reclaimer": "hopper mark", "core_store": "shelf list",
}  # fmt: skip
SILOS = ("silo_new", "silo_f", "silo_e")
TANKS = ("tank_resin_f", "tank_acid", "tank_resin_e", "ester_slow", "ester_fast")
MISREAD_DAY, MISREAD_PLACE = date(2025, 5, 9), "silo_e"


def month_end(yard: Yard, day: date) -> None:
    """Counts under a bare date: of every place on the first day and by quarter, of silos, heaps and tanks by month."""
    last = (day + timedelta(days=1)).day == 1
    if not (last or day == FIRST):
        return
    all_places = day == FIRST or day.month % 3 == 0
    for number, place in enumerate(OPENING_KG if all_places else COUNTED_MONTHLY):
        kind = yard.plant["places"][place]["kind"]
        error_pct = truth.COUNT_ERROR_PCT[kind]
        mass = yard.stock[place] / 10.0
        if day != FIRST:
            mass *= 1.0 + error_pct / 200.0 * yard.scatter(2.0)
        coarse = 1 if mass < 3_000 else 10
        row = {
            "at": f"{day}", "sender": "sonja" if kind == "tank" else "ida", "place": place,
            "mass_kg": kg(10 * coarse * round(mass / coarse)), "method": METHOD[kind], "error_pct": f"{error_pct}",
        }  # fmt: skip
        yard.book("count", datetime(day.year, day.month, day.day, 23, 59) + timedelta(seconds=number), row)


def height_m(shape: dict[str, float], mass_kg: float, density: float) -> float:
    """Level above the outlet of a flat surface."""
    volume = mass_kg / density
    area = math.pi / 4.0 * shape["diameter_m"] ** 2
    cone = shape.get("cone_height_m", 0.0)
    in_cone = area * cone / 3.0
    if volume < in_cone:
        return cone * (volume / in_cone) ** (1.0 / 3.0)
    return cone + (volume - in_cone) / area


def levels(yard: Yard, day: date) -> None:
    """On the last working day of the week: silos by level, tanks by the free height above."""
    if yard.later(day, 1).isocalendar().week == day.isocalendar().week:
        return
    for number, place in enumerate(SILOS + TANKS):
        at = on(day, 14, 56 + number / 2)
        row = {"sender": "ida", "place": place}
        yard.book("level", at, row, look=_read_level)
        if (day, place) == (MISREAD_DAY, MISREAD_PLACE):
            yard.remember("a level typed badly", row)


def _read_level(yard: Yard, row: dict[str, str]) -> None:
    place = row["place"]
    table = yard.plant["places"][place]
    shape = table["shape"]
    density = truth.SAND_DENSITY.get(place) or yard.plant["materials"][table["material"]]["density_kg_m3"]
    level = height_m(shape, yard.stock[place] / 10.0, density)
    if place in SILOS:
        row["level_m"] = f"{max(0.0, level + 0.03 * yard.scatter()):.2f}"
    else:
        row["ullage_m"] = f"{shape['height_m'] - level + 0.004 * yard.scatter():.3f}"


def temperatures(yard: Yard, day: date) -> None:
    """Every morning: air, sand in the two reclaimed silos, the first mixed sand."""
    sand_c = truth.season_c(day) + yard.off_mean_c
    air_c = sand_c - 3.0 + 1.5 * yard.scatter()
    humidity = min(95.0, max(25.0, 55.0 + 12.0 * yard.scatter()))
    readings = (
        (5, {"what": "air", "value_c": f"{air_c:.1f}", "humidity_pct": f"{humidity:.0f}"}),
        (9, {"what": "place", "place": "silo_f", "value_c": f"{sand_c + 0.8 * yard.scatter():.1f}"}),
        (12, {"what": "place", "place": "silo_e", "value_c": f"{sand_c + 0.5 + 0.8 * yard.scatter():.1f}"}),
        (50, {"what": "mixed_sand", "mixer": "m1",
              "value_c": f"{sand_c + truth.hour_c(on(day, 7, 50)) + 0.5 * yard.scatter():.1f}"}),
    )  # fmt: skip
    for minute, row in readings:
        yard.book("temperature", on(day, 7, minute), {"sender": "vera"} | row)


def sand_tests(yard: Yard, day: date) -> None:
    """On the third working day of the week: loss on ignition of both sands, a sieve, acid demand."""
    if day.weekday() != 2:
        return
    sonja = {"sender": "sonja"}
    for number, (place, system) in enumerate((("silo_f", "furan"), ("silo_e", "ester"))):
        crucible, sand = yard.about(25.3, 0.01), yard.about(10.0, 0.01)
        loss = sand * yard.about(truth.loss_on_ignition_pct(system, day), 0.04) / 100.0
        yard.book("sand_test", on(day, 11, 5 + 20 * number), sonja | {
            "test": "loss_on_ignition", "method": "AFS 5100", "sample_place": place,
            "readings_crucible_g": f"{crucible:.4f}", "readings_before_g": f"{crucible + sand:.4f}",
            "readings_after_g": f"{crucible + sand - loss:.4f}", "readings_furnace_c": "982",
        })  # fmt: skip
    week = day.isocalendar().week
    sieved = SILOS[week % 3]
    fines = yard.about(0.55 if sieved == "silo_new" else 0.9, 0.12)
    test = {"test": "sieve", "method": "AFS 1105", "sample_place": sieved, **sieve(yard, fines=fines)}
    yard.book("sand_test", on(day, 13, 30), sonja | test)
    place = ("silo_f", "silo_new")[week % 2]
    demand = truth.acid_demand_ml(place) + 0.35 * yard.scatter()
    yard.book("sand_test", on(day, 14, 10), sonja | {
        "test": "acid_demand", "method": "AFS 1114", "sample_place": place, "readings_sand_g": "50.0",
        "readings_acid_ml": "50.0", "readings_acid_normality": "0.1", "readings_base_ml": f"{50.0 - demand:.1f}",
        "readings_base_normality": "0.1", "readings_end_ph": "4",
    })  # fmt: skip


def calibrations(yard: Yard, day: date) -> None:
    """On the first working day of the week: three timed catches of every stream of both mixers."""
    if yard.works(day - timedelta(days=1)) or day.weekday() > 1:
        return
    start = on(day, 7, 2)
    for number, (mixer, stream, setting, rate, seconds) in enumerate(pumps()):
        factor = truth.drift_factor(mixer, day) if stream == "catalyst" else 1.0
        row = _catches(yard, mixer, stream, setting, rate * factor, seconds)
        yard.book("calibration", start + timedelta(minutes=2 * number), row)
        if stream == "catalyst" and mixer == "m2" and date(2025, 5, 12) <= day <= date(2025, 5, 26):
            yard.remember("m2 drifts off its acid", row)


def pumps() -> list[tuple[str, str, float, float, int]]:
    """Mixer, stream, setting, kg/min at it, seconds of a catch.

    The large mixer has a gate and a resin pump for each system, so those two names say which.
    """
    found: list[tuple[str, str, float, float, int]] = []
    for mixer, sand in SAND_KG_MIN.items():
        resin = {system: sand * truth.RESIN_PCT[system] / 100.0 for system in DRAWS}
        found.append((mixer, "new_sand", 40.0, sand * 0.19, 10))
        own = ("furan", "ester") if mixer == "m1" else ("furan",)
        for system in own:
            mark = f"{system}_" if mixer == "m1" else ""
            found.append((mixer, f"{mark}reclaimed_sand", 60.0, sand * 0.81, 10))
            found.append((mixer, f"{mark}resin", 50.0, resin[system], 30))
        found.append((mixer, "catalyst", 35.0, resin["furan"] * 0.35, 30))
        if mixer == "m1":
            found += [(mixer, grade, 50.0, resin["ester"] * 0.13, 30) for grade in ("slow", "fast")]
    return found


def _catches(yard: Yard, mixer: str, stream: str, setting: float, rate: float, seconds: int) -> dict[str, str]:
    row = {"sender": "sonja", "mixer": mixer, "stream": stream, "setting": f"{setting:.1f}"}
    today = yard.about(rate, 0.008)
    for number in (1, 2, 3):
        row[f"catch{number}_seconds"] = f"{seconds}"
        row[f"catch{number}_mass_g"] = f"{1000.0 * yard.about(today, 0.01) * seconds / 60.0:.0f}"
    return row
