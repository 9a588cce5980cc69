"""The moulding floor: what the two mixers fill on a day, the cores, and the looks at moulds that strip."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from making import truth
from making.yard import Mould, Move, Yard, kg, on, tenths, with_offset

SAND_KG_MIN = {"m1": 150.0, "m2": 60.0}
LETTER = {"furan": "f", "ester": "e"}
SMALL, MIDDLE, LARGE, BIG, HUGE = "11", "12", "13", "14", "15"  # furan cards; ester cards are ten higher
JOBS_M1 = {(LARGE,): 0.25, (BIG,): 0.30, (MIDDLE, MIDDLE): 0.15, (SMALL, SMALL, SMALL): 0.10, (HUGE,): 0.20}
JOBS_M2 = {
    (MIDDLE,): 0.52, (SMALL, SMALL): 0.29, (SMALL, MIDDLE): 0.04, ("core",): 0.10, (LARGE,): 0.05,
}  # fmt: skip
DRAWS = {
    "furan": ("silo_new", "silo_f", "tank_resin_f", "tank_acid"),
    "ester": ("silo_new", "silo_e", "tank_resin_e", "ester_slow", "ester_fast"),
}
WAITING_DAYS = (date(2025, 11, 12), date(2025, 11, 25), date(2025, 12, 3), date(2025, 12, 10))
NUMBER_AGAIN = date(2025, 6, 11)
NO_ACID_DAYS = (date(2025, 3, 17), date(2025, 3, 18))
ACID_BACK = date(2025, 3, 19)
CLOSING_DAYS = (date(2025, 7, 4), date(2025, 12, 23))
SHORT_DAYS = (date(2025, 12, 29), date(2025, 12, 30))
CORES_KG = 170.0  # sand of a run of cores
BOTH_CHANCE = 0.25  # that a huge furan mould gets its facing from m2


@dataclass
class Run:
    """One mix still to be made."""

    mixer: str
    system: str
    start: datetime
    patterns: tuple[str, ...]
    purpose: str = "whole"
    share: float = 1.0  # of the card's box mass
    moulds: list[Mould] = field(default_factory=list)


def slots(day: date) -> list[tuple[str, str, datetime]]:
    """When which mixer starts a job, and in which system: m1 runs ester until noon and furan after it, m2 furan."""
    if day in CLOSING_DAYS:
        return []
    ester, furan, small = (4, 2, 4) if day in SHORT_DAYS else (16, 6, 17)
    found = [("m1", "ester", on(day, 7, 30 + 19 * step)) for step in range(ester)]
    if day in NO_ACID_DAYS:
        return found + [("m1", "ester", on(day, 13, 5 + 25 * step)) for step in range(3)]
    found += [("m1", "furan", on(day, 13, 16 * step)) for step in range(furan)]
    first = 9.5 if day == ACID_BACK else 7.6
    found += [("m2", "furan", on(day, 0, 60 * first + 24 * step)) for step in range(small)]
    return [slot for slot in found if slot[2] < on(day, 14, 30)]


def plan(yard: Yard, day: date) -> list[Run]:
    """The day's runs in order of time, moulds numbered."""
    runs: list[Run] = []
    for mixer, system, slot in sorted(slots(day), key=lambda slot: slot[2]):
        start = slot + timedelta(seconds=round(yard.chance.uniform(0, 150)))
        job = yard.pick(JOBS_M1 if mixer == "m1" else JOBS_M2)
        if job == ("core",):
            if yard.stock["core_store"] > 30_000:
                job = (MIDDLE,)
            else:
                runs.append(Run(mixer, system, start, (), "core"))
                continue
        cards = tuple(f"{LETTER[system]}{int(card) + (10 if system == 'ester' else 0)}" for card in job)
        moulds = [yard.new_mould(system, card, start) for card in cards]
        if job != (HUGE,):
            runs.append(Run(mixer, system, start, cards, moulds=moulds))
            continue
        facing, later = 0.27, timedelta(minutes=6)
        with_m2 = system == "furan" and yard.chance.random() < BOTH_CHANCE
        runs.append(Run("m2" if with_m2 else mixer, system, start, cards, "facing", facing, moulds))
        runs.append(Run(mixer, system, start + later, cards, "backing", 1 - facing, moulds))
    return _one_at_a_time(sorted(runs, key=lambda run: run.start))


def _one_at_a_time(runs: list[Run]) -> list[Run]:
    """Move a run on if its mixer is still busy."""
    free: dict[str, datetime] = {}
    for run in runs:
        run.start = max(run.start, free.get(run.mixer, run.start))
        free[run.mixer] = run.start + timedelta(minutes=6 if run.mixer == "m2" else 4)
    return sorted(runs, key=lambda run: run.start)


def mix_day(yard: Yard, day: date) -> None:
    """Make the day's runs; move cores; look at a few moulds."""
    runs = plan(yard, day)
    if not runs:
        return
    _plant_in_moulds(yard, day, runs)
    base_c = truth.season_c(day) + yard.off_mean_c
    off = {mixer: yard.pick({-3.0: 1, 0.0: 3, 3.0: 1}) for mixer in ("m1", "m2")}
    made = [_mix(yard, run, base_c, off[run.mixer]) for run in runs]
    yard.events.sort(key=lambda event: event.at)
    for run, row, setting in yard.chance.sample(made, min(len(made), 3)):
        if run.purpose == "whole":
            look_at(yard, run, row, setting)
    _move_cores(yard, day, runs)


def _plant_in_moulds(yard: Yard, day: date, runs: list[Run]) -> None:
    if day in WAITING_DAYS:
        chosen = next(run for run in runs if run.purpose == "whole" and len(run.moulds) == 1)
        chosen.moulds[0].waiting = True
        yard.remember("moulds standing at the end of the year", {"id": f"mould {chosen.moulds[0].number}"})
    if day == NUMBER_AGAIN:
        number = yard.events_of("knock_out")[0]["moulds"].split(";")[0]
        chosen = next(run for run in runs if run.start.hour >= 13 and run.mixer == "m2" and len(run.moulds) == 1)
        mould = chosen.moulds[0]
        del yard.moulds[mould.number]
        mould.number = number
        yard.moulds[number] = mould
        yard.remember("a mould number used again", {"id": f"mould {number}"})


def _mix(yard: Yard, run: Run, base_c: float, off: float) -> tuple[Run, dict[str, str], float]:
    boxes = [yard.plant["patterns"][card]["box_sand_kg"] * run.share for card in run.patterns]
    sand_kg = yard.about(sum(boxes) if boxes else CORES_KG, 0.025)
    end = run.start + timedelta(seconds=round(60 * sand_kg / SAND_KG_MIN[run.mixer]))
    sand_c = round(min(33.0, max(6.0, base_c + truth.hour_c(end) + 0.5 * yard.scatter())), 1)
    streams, setting = _streams(yard, run, sand_kg, base_c, off)
    row = {
        "id": f"{run.mixer}-{yard.next_mix[run.mixer]:05d}", "sender": run.mixer, "at": with_offset(end),
        "started_at": with_offset(run.start), "mixer": run.mixer, "binder_system": run.system,
        "purpose": run.purpose, "sand_temp_c": f"{sand_c:.1f}",
    }  # fmt: skip
    yard.next_mix[run.mixer] += 1
    for number, (place, mass) in enumerate(streams, 1):
        row[f"stream{number}_place"], row[f"stream{number}_mass_kg"] = place, kg(mass)
        if place in yard.lot:
            row[f"stream{number}_lot"] = yard.lot[place]
    sand = streams[0][1] + streams[1][1]
    moves: list[Move] = [(place, "moulds", mass) for place, mass in streams]
    if run.moulds:
        row["moulds"] = ";".join(mould.number for mould in run.moulds)
        row["patterns"] = ";".join(run.patterns)
        weights = [float(mass) for mass in boxes]
        if len(set(run.patterns)) > 1:
            row["shares"], weights = "2;3", [2.0, 3.0]
        _fill(run.moulds, sand, weights)
    else:
        row["destination"] = "core_store"
        moves.append(("made", "core_store", sand))
    yard.book("mix", end, row, moves)
    return run, row, setting


def _fill(moulds: list[Mould], sand: int, weights: list[float]) -> None:
    parts = [int(sand * weight / sum(weights)) for weight in weights]
    parts[0] += sand - sum(parts)
    for mould, part in zip(moulds, parts, strict=True):
        mould.sand += part


def _streams(yard: Yard, run: Run, sand_kg: float, base_c: float, off: float) -> tuple[list[tuple[str, int]], float]:
    """Masses drawn, and what was set: acid in % of resin, or the share of the fast grade."""
    share = truth.RECLAIMED_SHARE[run.purpose]
    places = DRAWS[run.system]
    reclaimed = tenths(yard.about(sand_kg * share, truth.FLOW_NOISE))
    new = tenths(yard.about(sand_kg * (1.0 - share), truth.FLOW_NOISE))
    resin_kg = yard.about(sand_kg * truth.RESIN_PCT[run.system] / 100.0, truth.FLOW_NOISE)
    resin = yard.totalled(run.mixer, places[2], resin_kg)
    streams = [(places[0], new), (places[1], reclaimed), (places[2], resin)]
    if run.system == "furan":
        setting = min(42.0, max(26.0, truth.catalyst_chart_pct(base_c) + off))
        acid_kg = resin_kg * setting / 100.0 * truth.drift_factor(run.mixer, run.start.date())
        acid = yard.totalled(run.mixer, places[3], yard.about(acid_kg, truth.FLOW_NOISE))
        return [*streams, (places[3], acid)], setting
    setting = min(1.0, max(0.0, truth.fast_share_chart(base_c) + off / 15.0))
    setting = round(setting, 2)
    ester_kg = resin_kg * truth.ESTER_PCT / 100.0
    for place, part in ((places[3], 1.0 - setting), (places[4], setting)):
        mass = yard.totalled(run.mixer, place, yard.about(ester_kg * part, truth.FLOW_NOISE))
        if mass:
            streams.append((place, mass))
    return streams, setting


def look_at(yard: Yard, run: Run, row: dict[str, str], setting: float) -> None:
    """Someone looks at a mould every few minutes from about two thirds of the time the chart promises."""
    sand_c = float(row["sand_temp_c"])
    really = setting
    if run.system == "furan":
        really = setting * truth.drift_factor(run.mixer, run.start.date())
    median = truth.strip_time_min(run.system, sand_c, setting)
    strip = truth.strip_time_min(run.system, sand_c, really)
    strip *= math.exp(truth.STRIP_NOISE_LN * yard.scatter(3.0))
    step = yard.pick({5: 2, 8: 1, 10: 3})
    looked = 5 * round(median * yard.chance.uniform(0.70, 0.98) / 5)
    latest: int | None = looked
    earliest: int | None = None
    while latest is not None and latest < strip:
        earliest = latest
        latest += step
        if yard.chance.random() < 0.02:
            latest = None  # called away: nobody looked again
    end = datetime.fromisoformat(row["at"][:19])
    check = {
        "sender": yard.pick({"vera": 1, "emil": 1}), "binder_system": run.system, "mixer": run.mixer,
        "definition": "hand", "sand_temp_c": row["sand_temp_c"], "lot": row["stream3_lot"],
    }  # fmt: skip
    if len(run.moulds) == 1 and yard.chance.random() < 0.5:
        check["mould"] = run.moulds[0].number
    else:
        check["mix"] = row["id"]
    if earliest is not None:
        check["earliest_min"] = str(earliest)
    if latest is not None:
        check["latest_min"] = str(latest)
    if run.system == "furan":
        check["catalyst_pct"] = f"{setting:.1f}"
    else:
        check["fast_share"] = f"{setting:.2f}"
    yard.book("strip_check", end + timedelta(minutes=latest or earliest or 0), check)


def _move_cores(yard: Yard, day: date, runs: list[Run]) -> None:
    """Cores from the store into the day's larger furan moulds."""
    fit = [mould for run in runs for mould in run.moulds if mould.pattern in ("f13", "f14", "f15")]
    fit = [mould for mould in fit if mould.made < on(day, 14, 30) and not mould.waiting]
    fit = sorted({mould.number: mould for mould in fit}.values(), key=lambda mould: mould.made)
    wanted = 5 if yard.stock["core_store"] > 24_000 else 3 if yard.stock["core_store"] > 8_000 else 1
    for mould in fit[:wanted]:
        mass = tenths(yard.about(84.0, 0.2))
        mould.sand += mass
        at = max(mould.made + timedelta(minutes=70), on(day, 14, 15)) + timedelta(minutes=yard.chance.randrange(30))
        row = {"sender": "emil", "source": "core_store", "mould": mould.number, "mass_kg": kg(mass)}
        yard.book("transfer", at, row, [("core_store", "moulds", mass)])
