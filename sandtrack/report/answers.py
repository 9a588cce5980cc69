"""Answers as text for a terminal; every line is made from the answer alone and the set-up's names."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from sandtrack.report import brief, learned, mixers, numerals, tables
from sandtrack.report.text import (
    NOT_COUNTED,
    NOT_YES,
    STATE,
    Names,
    basis,
    cautions,
    clock,
    day,
    flags,
    mass,
    minutes,
    number,
    table,
    units_show,
    verified,
    wrapped,
)
from sandtrack.shop import Answer, proof
from sandtrack.shop.wording import chance, several

Body = Callable[[Answer, Names, str], list[str]]


def text(given: Answer, names: Names, *, units: str = "metric", why: bool = False) -> str:
    """An answer as text, in metric or US units; with what it rests on if `why`."""
    doubtful = [flag for flag in given.flags if flag.code in proof.CODES]
    lines = flags(doubtful)  # first, as they may make all the rest wrong
    if not given.possible:
        tested = given.question == "stopped" and given.verdict == "test_piece"
        lines += wrapped("Only after a test: " if tested else f"{NOT_YES[given.verdict]}: ", given.because)
        lines += [line for way in given.instead for line in wrapped("  instead: ", way)]
    lines += _BODIES.get(given.question, _plain)(given, names, units)
    if given.question not in ("brief", "attention"):
        lines += flags(flag for flag in given.flags if flag not in doubtful)
    if why:
        lines += basis(given)
    if given.question in _BODIES:
        lines = numerals.written(lines, names.plant.shop.decimal)
    lines += cautions(given.cautions, short=given.question == "brief")
    known = f", as known on {given.known_on}" if given.known_on else ""
    lines.append(f"as of {day(given.as_of)}{known} · {given.head} · {verified(given.verified)}")
    return "\n".join(lines)


def _stock(given: Answer, names: Names, units: str) -> list[str]:
    rows = []
    for place, held in given.values["stock_kg"].items():
        for material, value in held.items():
            span = given.ranges.get(f"stock_kg.{place}.{material}")
            counted = given.values["counted_on"].get(place, {}).get(material)
            never = "never" if place != "moulds" else "–"
            unknown = place in given.values["not_counted"] and material == names.plant.places[place].material
            rows.append(
                (
                    names("places", place),
                    names("materials", material),
                    NOT_COUNTED if unknown else mass(value, units),
                    f"{mass(span.low, units)} to {mass(span.high, units)}" if span else "–",
                    mass(given.values["room_kg"].get(place), units),
                    day(counted) if counted else never,
                )
            )
    lines = table(("place", "material", "stock", "could be", "room", "counted"), rows, left=2)
    for level in given.values.get("levels", ()):
        if level.get("mass_kg") is not None:
            lines += wrapped(
                "level  ",
                f"{names('places', level['place'])}: {level['level_m']:.2f} m read on "
                f"{day(level['at'])} is about {mass(level['mass_kg'], units)} "
                f"({mass(level['low_kg'], units)} to {mass(level['high_kg'], units)}); "
                f"the book said {mass(level['book_kg'], units)}",
            )
    return lines


def _cover(given: Answer, names: Names, units: str) -> list[str]:
    rows = []
    for place, days in given.values["cover_days"].items():
        span = given.ranges[f"cover_days.{place}"]
        rows.append(
            (
                names("places", place),
                mass(given.values["stock_kg"][place], units),
                mass(given.values["draw_kg_day"][place], units),
                f"{days:.1f}",
                f"{span.low:.1f} to {span.high:.1f}",
                given.values["runs_out_on"][place],
                given.values["order_by"].get(place, "–"),
            )
        )
    for place in given.values["not_counted"]:
        drawn = mass(given.values["draw_kg_day"][place], units)
        rows.append((names("places", place), NOT_COUNTED, drawn, "–", "–", "–", "–"))
    return table(("place", "usable", "drawn a day", "working days", "could be", "runs out", "order by"), rows)


def _moulds(given: Answer, names: Names, units: str) -> list[str]:
    rows = []
    for key, mould in given.values["moulds"].items():
        sand = sum(
            value
            for material, value in mould["contents_kg"].items()
            if material in names.plant.materials and names.plant.is_sand(material)
        )
        rows.append(
            (
                key,
                ", ".join(names("binder_systems", system) for system in mould["binder_systems"]) or "–",
                ", ".join(mould["mixers"]) or "–",
                mass(sand, units),
                day(mould["standing_since"]),
                f"{clock(mould['strip_from'])} to {clock(mould['strip_by'])}" if mould["strip_by"] else "–",
                STATE[mould["state"]],
                "held" if mould["held"] else "",
            )
        )
    lines = table(("mould", "binder", "mixer", "sand", "standing since", "strip range", "now", ""), rows, left=3)
    return [*lines, f"{several(len(rows), 'mould')} standing"]


def _setting(given: Answer, names: Names, units: str) -> list[str]:
    return setting(given.as_dict(), names, units)


def setting(given: Mapping[str, Any], names: Names, units: str) -> list[str]:
    """A setting in words and numbers, from the answer's plain form."""
    values = given["values"]
    lines = [tables.heading(values, names)]
    if "say" in values:
        lines.append(f"  {values['say']}")
    found = values if given["possible"] else values.get("nearest")
    if found is None:
        return lines
    temp, below, above = (
        units_show(values[name], "temperature", units)
        for name in ("sand_temp_c", "ask_again_below_c", "ask_again_above_c")
    )
    lines.append(f"  sand     {temp}; once it is below {below} or above {above}, ask again")
    if not given["possible"]:
        tried = given["verdict"] == "test_piece"
        lines.append("  for the test piece:" if tried else "  closest setting, NOT good enough:")
    lines.append(f"  set      resin {number(found['resin_pct'])} % of sand, {lever(found)}")
    lines += _times(given, found, units)
    if found.get("fill_time_min") is not None:
        lines.append(
            f"  fill     {found['fill_time_min']:.1f} min for {mass(found['box_sand_kg'], units)}, "
            f"{100 * found['work_time_used_share']:.0f} % of the shortest likely work time"
        )
    elif found.get("fill_within_min") is not None:
        lines.append(f"  fill     within {int(found['fill_within_min'])} min")
    flows = [
        f"{_liquid(name)} {units_show(rate, 'mass_flow', units)}"
        for name, rate in found["flows_kg_min"].items()
        if rate
    ]
    lines += wrapped("  rates    ", ", ".join(flows))
    pumps = "; ".join(_pumps(given, found))
    lines += wrapped("  pumps    ", pumps) if pumps else []
    law = [one["value"] for one in given["basis"] if one["what"] in ("strip times", "belief")]
    lines += wrapped("  times    ", "; ".join([*law, 'what "could be" holds 8 of 10 cases']))
    return lines


def _times(given: Mapping[str, Any], found: Mapping[str, Any], units: str) -> list[str]:
    """Strip and work time of a setting, which point of the mould is the slowest, and the chance."""
    lines = []
    for name, label, since in (("strip_time_min", "strip", "last"), ("work_time_min", "work", "first")):
        span = found.get(name) if not given["possible"] else given["ranges"].get(name)
        if span:
            could_be = f"could be {span['low']:.0f} to {span['high']:.0f}"
            lines.append(f"  {label:8} {minutes(span['mid'])}, {could_be}, from the {since} sand")
    slowest = found.get("slowest_point")
    if slowest:
        pattern = units_show(slowest["pattern_temp_c"], "temperature", units)
        room = units_show(slowest["surroundings_c"], "temperature", units)
        lines.append(
            f"  slowest  the {slowest['slowest']}: core {minutes(slowest['core_min'])}, "
            f"face {minutes(slowest['face_min'])} (pattern {pattern}, room {room})"
        )
        quickest = found["quickest_point"]
        lines.append(
            f"  quickest the {quickest['quickest']}: to be worked within {minutes(quickest['core_min'])} in the core, "
            f"{minutes(quickest['face_min'])} at the face"
        )
    if "chance_to_strip" in found:
        by = f"{given['values']['wanted_strip_min']:g} min"
        lines.append(f"  chance   {chance(found['chance_to_strip'])} to have stripped by {by}")
    return lines


def _pumps(given: Mapping[str, Any], found: Mapping[str, Any]) -> Iterator[str]:
    """Each liquid by volume, and on its pump's own scale where that is known."""
    for name in found["flows_kg_min"]:
        pump, volume = found.get("pumps", {}).get(name), found["flows_ml_min"].get(name)
        span = given["ranges"].get(f"pump_setting.{name}") or found.get(f"pump_setting.{name}")
        told = [f"{volume:.0f} ml/min"] if volume else []
        if pump:
            reach = f" ({number(span['low'])} to {number(span['high'])})" if span else ""
            at = f"{pump['setting']:g}" if pump["step"] else number(pump["setting"])
            told.append(f"setting {at}{reach}")
        if told:
            yield f"{_liquid(name)} {', '.join(told)}"


def _liquid(name: str) -> str:
    """What goes into a mix, for people; the co-reactant that is metered apart is that of an alkyd."""
    return "isocyanate" if name == "co_reactant" else name.replace("_", " ")


def lever(found: Mapping[str, Any]) -> str:
    """What sets the speed, in words."""
    if found.get("fast_share") is not None:
        share = f"{100 * found['fast_share']:.0f} % of it the fast grade"
        return f"hardener {number(found['catalyst_pct'])} % of resin, {share}"
    base = found.get("catalyst_base", "% of resin as delivered")
    called = "drier" if "drier" in found.get("flows_kg_min", {}) else "catalyst"
    return f"{called} {number(found['catalyst_pct'])} {base}"


def _rates(given: Answer, names: Names, units: str) -> list[str]:
    rows = [_rate("whole shop", name, rate) for name, rate in given.values["rates"].items()]
    rows += [
        _rate(circuit, name, rate)
        for circuit, found in given.values["by_circuit"].items()
        for name, rate in found.items()
    ]
    lines = [f"from {day(given.values['since'])} to {day(given.values['until'])}"]
    lines += table(("where", "rate", "value", "is", "of"), rows, left=2)
    for name, rate in given.values["rates"].items():
        lines += wrapped(
            f"  {name.replace('_', ' ')} = ",
            rate["meaning"] + (f" (not known: {rate['because']})" if rate["because"] else ""),
        )
    return lines


def _rate(where: str, name: str, rate: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        where,
        name.replace("_", " "),
        rate_value(rate),
        _tonnes(rate["numerator_kg"]),
        _tonnes(rate["denominator_kg"]),
    )


def rate_value(rate: Mapping[str, Any]) -> str:
    """A rate for reading: shares in percent, the rest as they are."""
    if rate["value"] is None:
        return "not known"
    return f"{100 * rate['value']:.1f} %" if rate["unit"] in ("kg/kg", "%/%") else f"{rate['value']:.2f} {rate['unit']}"


def _tonnes(value_kg: float | None) -> str:
    return "–" if value_kg is None else f"{value_kg / 1000:,.1f} t"


def _balance(given: Answer, names: Names, units: str) -> list[str]:
    rows = []
    for place, held in given.values["balance_kg"].items():
        for material, line in held.items():
            if not any(line[name] for name in ("opening_kg", "closing_kg", "differences_kg", "first_count_kg")):
                continue  # passed through and became the place's own sand
            rows.append(
                (
                    names("places", place),
                    names("materials", material),
                    *(
                        kilograms(line[name])
                        for name in ("opening_kg", "in_kg", "out_kg", "differences_kg", "closing_kg")
                    ),
                )
            )
    lines = [f"from {day(given.values['since'])} to {day(given.values['until'])}, all in kg"]
    lines += table(("place", "material", "opening", "in", "out", "unexplained", "closing"), rows, left=2)
    sand = given.values["sand_kg"]
    left = ", ".join(f"{name.replace('_', ' ')} {kilograms(value)}" for name, value in sand["left_kg"].items())
    lines += wrapped(
        "all sand  ",
        f"{kilograms(sand['opening_kg'])} at first, {kilograms(sand['delivered_kg'])} delivered, "
        f"{left}, {kilograms(-sand['unexplained_kg'])} found that nothing recorded explains (minus: lost), "
        f"{kilograms(sand['closing_kg'])} at last",
    )
    return lines


def kilograms(value: float) -> str:
    """Whole kilograms, never "-0"."""
    return f"{round(value) + 0:,}"


def _records(given: Answer, names: Names, units: str) -> list[str]:
    lines: list[str] = []
    for record in given.values["records"]:
        mark = "  WITHDRAWN" if record["withdrawn"] else ""
        lines.append(f"{day(record['at'])}  {record['kind']}  {record['id']}  by {record['sender']}{mark}")
        content = {name: value for name, value in record["content"].items() if name != "at"}
        if record["kind"] != "plant":
            lines += wrapped("    ", ", ".join(f"{name} {_words(value)}" for name, value in content.items()))
    if not lines:
        lines.append("no record fits")
    elif given.values["more"]:
        lines.append("there are more; ask for a larger --limit, or narrow it down")
    return lines


def _words(value: Any) -> str:
    if isinstance(value, dict):
        return "(" + " ".join(f"{name} {_words(entry)}" for name, entry in value.items()) + ")"
    if isinstance(value, list):
        return "; ".join(_words(entry) for entry in value)
    return str(value)


def _attention(given: Answer, names: Names, units: str) -> list[str]:
    if not given.flags:
        return ["nothing to check"]
    lines = [f"{len(given.flags)} to check"]
    for flag, item in zip(given.flags, given.values["items"], strict=True):
        lines += wrapped("! ", flag.text)
        lines += wrapped("    ", f"{' or '.join(item['who'])}: {_todo(item)}")
    return lines


def _todo(item: Mapping[str, Any]) -> str:
    """What takes an item off the list, with what to type for it."""
    if item["code"] == "wrong_material":
        return "first find out what met what; only when that is known does a release end it"
    if item["clears"] != "dealt_with":
        return f"goes with a {item['clears'].replace('_', ' ')} (sandtrack log {item['clears']})"
    return f"sandtrack log dealt_with --code {item['code']} --subject {shlex.quote(item['subject'])} --done … --by …"


def _plain(given: Answer, names: Names, units: str) -> list[str]:
    return json.dumps(given.as_dict()["values"], ensure_ascii=False, indent=2).splitlines()


_BODIES: Mapping[str, Body] = {
    "attention": _attention,
    "audit": mixers.audit,
    "balance": _balance,
    "brief": brief.body,
    "calibration": mixers.calibration,
    "cover": _cover,
    "learned": learned.learned,
    "moulds": _moulds,
    "rates": _rates,
    "records": _records,
    "setting": _setting,
    "stock": _stock,
    "stopped": learned.stopped,
    "table": tables.one_table,
    "tables": tables.all_tables,
}
