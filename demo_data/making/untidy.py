"""What people and devices got wrong on the way to the files, planted on purpose after the year was lived."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

from making.yard import Yard, local, on, with_offset

Row = dict[str, str]
Entries = list[tuple[datetime, Row]]

LATE_DELIVERY_FROM = date(2025, 4, 7)
LATE_MIXES = date(2025, 10, 7)
LATE_KNOCK_OUT = date(2025, 6, 24)
TWICE_UPLOADED = date(2025, 2, 6)
DOUBLE_DELIVERY_FROM = date(2025, 8, 18)
DOUBLE_MIX = date(2025, 11, 6)
WRONG_MASS_FROM = date(2025, 5, 5)
WRONG_MOULD = date(2025, 9, 24)
NOTHING_BOOKED = date(2025, 4, 29)
HELD_MOULD = date(2025, 11, 13)


def make_untidy(yard: Yard) -> tuple[dict[str, list[Row]], list[Row]]:
    """The files' rows, in the order they stand there, and the delivery that was found later."""
    yard.book("knock_out", on(NOTHING_BOOKED, 9, 41), _nothing_booked(yard))
    number = yard.planted["moulds standing at the end of the year"][0]["id"].removeprefix("mould ")
    held = {"sender": "greta", "mould": number, "reason": "customer's drawing changed, do not pour"}
    yard.remember("moulds standing at the end of the year", held)
    yard.book("hold", on(HELD_MOULD, 10, 15), held)
    _misread_level(yard)
    yard.close_day()
    yard.number_records()
    entries = yard.rows
    _reversed_mass(yard, entries)
    _reversed_mould(yard, entries)
    _double_delivery(yard, entries)
    _double_mix(yard, entries)
    rows = {kind: [row for _, row in sorted(found, key=lambda entry: entry[0])] for kind, found in entries.items()}
    found_later = yard.planted["a delivery missing until a count"][0]
    rows["delivery"].remove(found_later)
    _late(yard, rows, entries)
    _uploaded_twice(yard, rows)
    return rows, [found_later | {"note": "ticket found in the cab of the loader"}]


def _first(entries: Entries, since: date, fits: Callable[[Row], bool]) -> tuple[datetime, Row]:
    return next(entry for entry in sorted(entries, key=lambda e: e[0]) if entry[0].date() >= since and fits(entry[1]))


def _nothing_booked(yard: Yard) -> Row:
    row = {"sender": "otto", "moulds": "20417", "to": "heap_f", "note": "number chalked on the box, hard to read"}
    yard.remember("a knock-out of a mould with nothing booked", row)
    return row


def _misread_level(yard: Yard) -> None:
    """2.49 m typed as 4.29: the figures before and after the point changed places."""
    row = yard.planted["a level typed badly"][0]
    true = row["level_m"]
    row["level_m"] = true[2] + "." + true[0] + true[3]
    row["note"] = f"typed from the sheet, where it says {true[0]} m {true[2:]}"


def _reverse(entries: dict[str, Entries], at: datetime, wrong: Row, reason: str) -> Row:
    row = {
        "id": f"rev-{len(entries.get('reversal', [])) + 1:04d}", "sender": "greta", "at": local(at),
        "of_sender": wrong["sender"], "of_id": wrong["id"], "reason": reason,
    }  # fmt: skip
    entries.setdefault("reversal", []).append((at, row))
    return row


def _reversed_mass(yard: Yard, entries: dict[str, Entries]) -> None:
    """A container of alkaline resin typed as 10,0xx kg, withdrawn the same hour, sent again under a new id."""
    at, right = _first(entries["delivery"], WRONG_MASS_FROM, lambda row: row["place"] == "tank_resin_e")
    wrong = dict(right, id=f"{right['id']}-typo", mass_kg=f"{10 * float(right['mass_kg']):.1f}")
    entries["delivery"].append((at - timedelta(seconds=1), wrong))
    reversal = _reverse(entries, at + timedelta(minutes=35), wrong, "a nought too many")
    yard.remember("a mistake reversed", wrong, reversal, right)


def _reversed_mould(yard: Yard, entries: dict[str, Entries]) -> None:
    """A knock-out booked of a mould that was not even poured; withdrawn next morning."""
    _, pour = _first(entries["pour"], yard.later(WRONG_MOULD, 1), lambda row: row["metal"] != "steel")
    number = pour["moulds"].split(";")[0]
    at = on(WRONG_MOULD, 15, 12)
    wrong = {
        "id": "ko-wrong", "sender": "otto", "at": local(at), "moulds": number, "to": "heap_f",
        "carried_out_kg": "4.0",
    }  # fmt: skip
    entries["knock_out"].append((at, wrong))
    next_morning = on(yard.later(WRONG_MOULD, 1), 7, 25)
    reason = f"mould {number} still stands, another was meant"
    yard.remember("a mistake reversed", wrong, _reverse(entries, next_morning, wrong, reason))


def _double_delivery(yard: Yard, entries: dict[str, Entries]) -> None:
    """One container of alkaline resin entered by two people."""
    at, once = _first(entries["delivery"], DOUBLE_DELIVERY_FROM, lambda row: row["place"] == "tank_resin_e")
    other = "otto" if once["sender"] == "ida" else "ida"
    again = dict(once, id=f"{once['id']}-again", sender=other, at=local(at + timedelta(minutes=6)))
    entries["delivery"].append((at + timedelta(minutes=6), again))
    yard.remember("one event under two ids", once, again)


def _double_mix(yard: Yard, entries: dict[str, Entries]) -> None:
    """A mix of m2 that the moulder also wrote down by hand."""
    at, once = _first(entries["mix"], DOUBLE_MIX, lambda row: row["mixer"] == "m2" and row["purpose"] == "whole")
    again = dict(once, id="hand-0001", sender="vera", at=with_offset(at + timedelta(minutes=4)))
    again["note"] = "written down by hand, screen was dark"
    entries["mix"].append((at + timedelta(minutes=4), again))
    yard.remember("one event under two ids", once, again)


def _late(yard: Yard, rows: dict[str, list[Row]], entries: dict[str, Entries]) -> None:
    """Rows that were entered days later and stand where they were entered."""
    at, acid = _first(entries["delivery"], LATE_DELIVERY_FROM, lambda row: row["place"] == "tank_acid")
    _move_behind(rows["delivery"], [acid], yard.later(at.date(), 4))
    morning = [row for at, row in entries["mix"] if at.date() == LATE_MIXES and row["mixer"] == "m2" and at.hour < 10]
    _move_behind(rows["mix"], morning, date(2025, 10, 14))
    knocked = [row for at, row in entries["knock_out"] if at.date() == LATE_KNOCK_OUT and row["to"] == "heap_e"]
    _move_behind(rows["knock_out"], knocked[-1:], date(2025, 6, 30))
    yard.remember("entered late", acid, *morning, knocked[-1])


def _move_behind(rows: list[Row], moved: list[Row], day: date) -> None:
    for row in moved:
        rows.remove(row)
        row["note"] = f"entered late on {day}"
    place = sum(row["at"][:10] <= f"{day}" for row in rows)
    rows[place:place] = moved


def _uploaded_twice(yard: Yard, rows: dict[str, list[Row]]) -> None:
    """The whole day of m1 was sent a second time, line for line, with the same ids."""
    block = [row for row in rows["mix"] if row["at"][:10] == f"{TWICE_UPLOADED}" and row["sender"] == "m1"]
    place = 1 + max(number for number, row in enumerate(rows["mix"]) if row["at"][:10] == f"{TWICE_UPLOADED}")
    rows["mix"][place:place] = block
    yard.remember("uploaded twice", *block)
