"""Records and answers as pandas frames, with the unit in every column's name."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import pandas as pd

from sandtrack.errors import InputErrors
from sandtrack.records import Measured, fields, kind_named
from sandtrack.shop import Answer, Shop
from sandtrack.shop.picture import KG, Moment, Picture, Seen, moment, picture

_TIMES = ("at", "started_at", "since", "until")


def records(
    shop: Shop, kind: str, *, since: Moment = None, until: Moment = None, known_on: Moment = None
) -> pd.DataFrame:
    """Records of one kind in force, one row each, in order of happening, in canonical units.

    Lists become numbered columns (`stream1_mass_kg`), moulds and the like stay lists; times are the shop's own.
    Raises InputErrors for a kind that does not exist.
    """
    try:
        kind_named(kind)
    except ValueError as problem:
        raise InputErrors([problem], what="the question") from None  # type: ignore[list-item]
    zone = shop.ledger.zone
    start = None if since is None else moment(since, zone, "since", fields.DayStartInstant)
    end = None if until is None else moment(until, zone, "until", fields.DayEndInstant)
    with picture(shop.ledger, None, known_on) as seen:
        rows = [_row(seen, record) for record in seen.records(kind, since=start, until=2**62 if end is None else end)]
    frame = pd.DataFrame(rows)
    for name in _TIMES:
        if name in frame:
            frame[name] = pd.to_datetime(frame[name], unit="us", utc=True).dt.tz_convert(zone)
    return frame


def _row(seen: Picture, record: Seen) -> dict[str, Any]:
    row: dict[str, Any] = {"sender": record.sender, "id": record.id}
    day = seen.setups.on(record.at)
    for name, value in {**record.values, "at": record.at}.items():
        row |= _cells(name, value, day)
    return row


def _cells(name: str, value: Any, day: Any) -> dict[str, Any]:
    if name.endswith("_kg") and isinstance(value, int | Measured):
        return {name: day.mass_mg(value) / KG}
    if isinstance(value, Mapping):
        return {f"{name}_{part}": entry for part, entry in value.items()}
    if isinstance(value, tuple) and value and isinstance(value[0], Mapping):
        prefix = name.removesuffix("es") if name == "catches" else name.removesuffix("s")
        return {
            column: cell
            for number, part in enumerate(value, 1)
            for inner, entry in part.items()
            for column, cell in _cells(f"{prefix}{number}_{inner}", entry, day).items()
        }
    if isinstance(value, tuple):
        return {name: list(value)}
    return {name: value.isoformat() if isinstance(value, date) else value}


def stock(answer: Answer) -> pd.DataFrame:
    """Stock by place and material, with its range and the time of the last count."""
    rows = []
    for place, held in answer.values["stock_kg"].items():
        for material, mass in held.items():
            span = answer.ranges.get(f"stock_kg.{place}.{material}")
            rows.append(
                {
                    "place": place,
                    "material": material,
                    "stock_kg": mass,
                    "low_kg": span.low if span else None,
                    "high_kg": span.high if span else None,
                    "room_kg": answer.values["room_kg"].get(place),
                    "counted_on": answer.values["counted_on"].get(place, {}).get(material),
                }
            )
    return pd.DataFrame(rows)


def cover(answer: Answer) -> pd.DataFrame:
    """Cover by place: working days, draw, day it runs out, day to order by."""
    frame = pd.DataFrame({name: pd.Series(column, dtype=object) for name, column in answer.values.items()})
    return frame.rename_axis("place").reset_index()


def moulds(answer: Answer) -> pd.DataFrame:
    """Moulds standing, one row each."""
    rows = [{"mould": number, **entry} for number, entry in answer.values["moulds"].items()]
    return pd.DataFrame(rows)


def rates(answer: Answer) -> pd.DataFrame:
    """Named rates, one row each."""
    return pd.DataFrame([{"rate": name, **entry} for name, entry in answer.values["rates"].items()])


def balance(answer: Answer) -> pd.DataFrame:
    """The balance by place and material."""
    rows = [
        {"place": place, "material": material, **line}
        for place, held in answer.values["balance_kg"].items()
        for material, line in held.items()
    ]
    return pd.DataFrame(rows)


def flags(answer: Answer) -> pd.DataFrame:
    """What to look at, one row a flag."""
    return pd.DataFrame(
        [{"code": flag.code, "subject": flag.subject, "text": flag.text} for flag in answer.flags],
        columns=["code", "subject", "text"],
    )
