"""Tables of settings by sand temperature: as text, and as CSV for a device to keep."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from sandtrack.report.text import Names, day, number, table, wrapped
from sandtrack.shop import Answer

_OF_TABLE = ("number", "mixer", "binder_system", "made_at", "expires_at", "ask_again_moved_c", "wanted_strip_min")
_OF_ROW = (
    "sand_temp_c",
    "serves",
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
)


def as_csv(values: Mapping[str, Any], number: int | None = None) -> str:
    """A table as CSV: a line a temperature, each with the table's number and expiry; a value not known is empty."""
    head = {**{name: values.get(name) for name in _OF_TABLE}, **({} if number is None else {"number": number})}
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*_OF_TABLE, *_OF_ROW])
    for row in values["rows"]:
        writer.writerow([_cell(value) for value in (*head.values(), *(row.get(name) for name in _OF_ROW))])
    return out.getvalue()


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
    return f"{row['fast_share']:.0%}" if row.get("fast_share") is not None else f"{number(row['catalyst_pct'])} %"


def setting_head(rows: list[Mapping[str, Any]]) -> str:
    """What the settings of a table are of."""
    return "fast grade" if any(row.get("fast_share") is not None for row in rows) else "catalyst"


def one_table(given: Answer, names: Names, units: str) -> list[str]:
    """A table on a terminal."""
    values = given.values
    lines = [f"{names('mixers', values['mixer'])}, {names('binder_systems', values['binder_system'])}"]
    rows = values.get("rows")
    if rows is None:
        return lines
    lines.append(f"  made {day(values['made_at'])}, not to be used after {day(values['expires_at'])}")
    lines += _drawn(rows)
    for row in rows:
        if not row["serves"]:
            lines += wrapped(f"  {row['sand_temp_c']:g} °C: no; ", row["instead"] or row["because"])
    return lines + wrapped("  ", values["say"])


def kept(one: Mapping[str, Any], names: Names) -> list[str]:
    """A table given out before, on a terminal: as it was, with what it rested on."""
    lines = [
        f"table {one['number']}: {names('mixers', one['mixer'])}, {names('binder_systems', one['binder_system'])}",
        f"  {one['state']}; made {day(one['made_at'])}, not to be used after {day(one['expires_at'])}",
        *_drawn(one["rows"]),
    ]
    lines += [line for told in one["look_at"] for line in wrapped("! ", told)]
    lines += [line for told in one["basis"] for line in wrapped("because  ", told)]
    return lines + [line for told in one["cautions"] for line in wrapped("CAUTION  ", told)]


def _drawn(rows: list[Mapping[str, Any]]) -> list[str]:
    drawn = [
        (
            f"{row['sand_temp_c']:g} °C",
            f"{number(row['resin_pct'])} %",
            setting_of(row),
            span(row, "strip"),
            span(row, "work"),
            f"{row['fill_within_min']:.0f}",
            f"{row['chance_to_strip']:.0%}",
        )
        if row["serves"]
        else (f"{row['sand_temp_c']:g} °C", "", "no", "", "", "", "")
        for row in rows
    ]
    head = ("sand", "resin", setting_head(rows), "strip, min", "work, min", "fill within", "chance")
    return table(head, drawn)


def all_tables(given: Answer, names: Names, units: str) -> list[str]:
    """Tables given out, on a terminal."""
    rows = [
        (
            str(one["number"]),
            names("mixers", one["mixer"]),
            names("binder_systems", one["binder_system"]),
            day(one["made_at"]),
            day(one["expires_at"]),
            one["state"] + (f" by {one['superseded_by']}" if one["superseded_by"] else ""),
        )
        for one in given.values["tables"]
    ]
    if not rows:
        return ["no table was given out yet"]
    return table(("table", "mixer", "binder system", "made", "not after", "state"), rows, left=3)
