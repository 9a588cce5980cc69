"""Tables of settings by sand temperature: as text, and as CSV for a device to keep."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, NamedTuple

from sandtrack.plant.tables import LIQUIDS
from sandtrack.report.text import NOT_YES, Names, cautions, day, mass, number, table, units_show, wrapped
from sandtrack.shop import Answer, Caution, wording
from sandtrack.shop.cautions import DEFER
from sandtrack.shop.dosing.table import as_lines
from sandtrack.shop.wording import chance

_OF_TABLE = (
    "number",
    "mixer",
    "binder_system",
    "made_at",
    "expires_at",
    "ask_again_moved_c",
    "wanted_strip_min",
    "wanted_chance",
    "pattern",
    "purpose",
    "box_sand_kg",
    "catalyst_base",
)
_OF_ROW = (
    "sand_temp_c",
    "serves",
    "verdict",
    "resin_pct",
    "catalyst_pct",
    "fast_share",
    "chance_to_strip",
    "strip_low_min",
    "strip_mid_min",
    "strip_high_min",
    "work_low_min",
    "work_mid_min",
    "work_high_min",
    "fill_within_min",
    "because",
    "instead",
    "look_at",
    "pumps_beyond",
)
_LINES = {"basis": "basis", "table_look_at": "look_at"}


def as_kept(given: Answer, number: int | None = None) -> dict[str, Any]:
    """A table just made, in the form of one given out: with what it rests on and its flags as lines."""
    cautions = [asdict(caution) for caution in given.cautions]
    return {**given.values, "number": number, **as_lines(given), "cautions": cautions}


def cautions_of(one: Mapping[str, Any]) -> list[Caution]:
    """Cautions of a table in the form of one given out."""
    return [Caution(**caution) for caution in one["cautions"]]


def as_csv(one: Mapping[str, Any]) -> str:
    """A table in the form of one given out as CSV: a line a temperature; what is not known is empty.

    Each line has what is the whole table's besides, number, expiry, basis and cautions: it may be cut out and kept.
    Each stream has its STREAM_kg_min, liquids STREAM_ml_min and STREAM_pump_setting too.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    streams = _streams(one["rows"])
    columns = {f"{stream}_kg_min": ("flows_kg_min", stream) for stream in streams}
    for stream in streams:
        if not _is_sand(stream):
            columns |= {f"{stream}_ml_min": ("flows_ml_min", stream)}
            columns |= {f"{stream}_pump_setting": ("pump_settings", stream)}
    writer.writerow([*_OF_TABLE, *_OF_ROW, *columns, *_LINES, "cautions"])
    head, lines = [one.get(name) for name in _OF_TABLE], [" | ".join(one[name]) for name in _LINES.values()]
    spoken = [f"{caution.signal}: {caution.text}" for caution in cautions_of(one)]
    lines.append(" | ".join([*spoken, DEFER] if spoken else []))
    for row in one["rows"]:
        own = (row.get(name) for name in _OF_ROW)
        flows = (row.get(name, {}).get(stream) for name, stream in columns.values())
        writer.writerow([_cell(value) for value in (*head, *own, *flows, *lines)])
    return out.getvalue()


def _streams(rows: list[Mapping[str, Any]]) -> list[str]:
    """The streams that a table sets, sand first."""
    found = dict.fromkeys(stream for row in rows for stream in row.get("flows_kg_min", {}))
    return sorted(found, key=lambda stream: not _is_sand(stream))


def _is_sand(stream: str) -> bool:
    return stream not in LIQUIDS


def verdict(row: Mapping[str, Any]) -> str:
    """What may be made by a row: yes, test_piece or no; a table kept without it goes by whether its row serves."""
    return str(row.get("verdict") or ("yes" if row["serves"] else "no"))


def way_out(row: Mapping[str, Any]) -> str:
    """What stands in a row that is no plain yes."""
    return str(row.get("instead") or row.get("because", ""))


class Setting(NamedTuple):
    """What one liquid is set to, row by row: on its pump's own scale, or as its flow."""

    liquid: str
    of_pump: bool
    values: dict[float, str]
    """By the sand's temperature."""

    @property
    def alike(self) -> str:
        """What it is in all rows; "" where they differ."""
        first, *others = set(self.values.values())
        return "" if others else first

    @property
    def head(self) -> str:
        """What stands above it."""
        return f"{self.liquid.replace('_', ' ')} {'pump' if self.of_pump else 'kg/min'}"


def settings(rows: list[Mapping[str, Any]]) -> list[Setting]:
    """What each liquid is set to; its pump is told where every row knows that setting and none is a guess."""
    serving = [row for row in rows if verdict(row) != "no" and "flows_kg_min" in row]
    found = []
    for liquid in _streams(serving):
        if _is_sand(liquid):
            continue
        flows = {row["sand_temp_c"]: row["flows_kg_min"][liquid] for row in serving}
        pumped = {
            row["sand_temp_c"]: row["pump_settings"][liquid]
            for row in serving
            if liquid in row.get("pump_settings", {}) and liquid not in row.get("pumps_beyond", ())
        }
        of_pump = bool(pumped) and all(temp in pumped for temp, flow in flows.items() if flow)
        values = _to_the_step(pumped) if of_pump else _evenly(flows, 3)
        found.append(Setting(liquid, of_pump, {temp: values.get(temp, "off") for temp in flows}))
    return found


def _to_the_step(settings: Mapping[float, float]) -> dict[float, str]:
    """Settings of one pump: as they are where they lie on its steps, else to three digits."""
    told = _evenly(settings, 4)
    return told if all(float(told[temp]) == value for temp, value in settings.items()) else _evenly(settings, 3)


def _evenly(values: Mapping[float, float], digits: int) -> dict[float, str]:
    """Numbers with as many decimals each, as few as tell them to so many digits of the largest."""
    most = max(digits - 1 - math.floor(math.log10(max(values.values()) or 1.0)), 0)
    exact = [round(value, most) for value in values.values()]
    decimals = next(few for few in range(most + 1) if [round(value, few) for value in exact] == exact)
    return {temp: f"{value:.{decimals}f}" for temp, value in values.items()}


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6g}"
    return ";".join(value) if isinstance(value, list | tuple) else str(value)


def span(row: Mapping[str, Any], what: str) -> str:
    """A range as said on the floor: whole minutes, widened."""
    low, mid, high = (row[f"{what}_{end}_min"] for end in ("low", "mid", "high"))
    return f"{mid:.0f} ({int(low)} to {-int(-high // 1)})"


def setting_of(row: Mapping[str, Any]) -> str:
    """What is set in a row."""
    if row.get("fast_share") is not None:
        return f"{100 * row['fast_share']:.0f} %"
    return f"{number(row['catalyst_pct'])} %"


def setting_head(rows: list[Mapping[str, Any]]) -> str:
    """What the settings of a table are of."""
    return "fast grade" if any(row.get("fast_share") is not None for row in rows) else "catalyst"


def heading(values: Mapping[str, Any], names: Names) -> str:
    """What a setting or a table is for."""
    told = [names("mixers", values["mixer"]), names("binder_systems", values["binder_system"])]
    if values.get("pattern"):
        told.append(names("patterns", values["pattern"]))
    if values.get("purpose"):
        told.append(str(values["purpose"]))
    return ", ".join(told)


def aim(values: Mapping[str, Any], units: str) -> str:
    """What the settings of a table aim at."""
    box = f"; box {mass(values['box_sand_kg'], units)}" if values.get("box_sand_kg") is not None else ""
    return f"strips by {values['wanted_strip_min']:g} min: {wording.aim(values['wanted_chance'])} chance{box}"


def one_table(given: Answer, names: Names, units: str) -> list[str]:
    """A table on a terminal."""
    values = given.values
    lines = [heading(values, names)]
    rows = values.get("rows")
    if rows is None:
        return lines
    lines.append(f"  made {day(values['made_at'])}, not to be used after {day(values['expires_at'])}")
    lines.append(f"  {aim(values, units)}")
    lines += _drawn(rows, units)
    return lines + _not_yes(rows, units) + wrapped("  ", values["say"])


def _not_yes(rows: list[Mapping[str, Any]], units: str) -> list[str]:
    """The rows that are no plain yes, each with its first way out."""
    lines: list[str] = []
    for row in rows:
        if (found := verdict(row)) != "yes":
            sand = units_show(row["sand_temp_c"], "temperature", units)
            lines += wrapped(f"  {sand}: {NOT_YES[found].lower()}; ", way_out(row))
    return lines


def kept(one: Mapping[str, Any], names: Names, units: str) -> list[str]:
    """A table given out before, on a terminal: as it was, with what it rested on."""
    lines = [
        f"table {one['number']}: {heading(one, names)}",
        f"  {one['state']}; made {day(one['made_at'])}, not to be used after {day(one['expires_at'])}",
        f"  {aim(one, units)}",
        *_drawn(one["rows"], units),
        *_not_yes(one["rows"], units),
    ]
    lines += [line for told in one["look_at"] for line in wrapped("! ", told)]
    lines += [line for told in one["basis"] for line in wrapped("because  ", told)]
    return lines + cautions(cautions_of(one))


def _drawn(rows: list[Mapping[str, Any]], units: str) -> list[str]:
    moved = [one for one in settings(rows) if not one.alike]
    drawn = [
        (
            units_show(row["sand_temp_c"], "temperature", units),
            f"{number(row['resin_pct'])} %",
            setting_of(row) if verdict(row) == "yes" else f"test piece {setting_of(row)}",
            *(one.values[row["sand_temp_c"]] for one in moved),
            span(row, "strip"),
            span(row, "work"),
            f"{int(row['fill_within_min'])}",
            chance(row["chance_to_strip"]) if verdict(row) == "yes" else "",
        )
        if verdict(row) != "no"
        else (units_show(row["sand_temp_c"], "temperature", units), "", "no", *("" for _ in moved), "", "", "", "")
        for row in rows
    ]
    flows = (one.head for one in moved)
    head = ("sand", "resin", setting_head(rows), *flows, "strip, min", "work, min", "fill within", "chance")
    return [*table(head, drawn), *(f"  {one.head} {one.alike}" for one in settings(rows) if one.alike)]


def all_tables(given: Answer, names: Names, units: str) -> list[str]:
    """Tables given out, on a terminal."""
    rows = [
        (
            str(one["number"]),
            *heading(one, names).split(", ", 1),
            day(one["made_at"]),
            day(one["expires_at"]),
            one["state"] + (f" by {one['superseded_by']}" if one["superseded_by"] else ""),
        )
        for one in given.values["tables"]
    ]
    if not rows:
        return ["no table was given out yet"]
    return table(("table", "mixer", "for", "made", "not after", "state"), rows, left=3)
