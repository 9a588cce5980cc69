"""The questions people ask of a shop's book: one file a question, behind a thin `Shop`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sandtrack.errors import FieldError, InputErrors
from sandtrack.ledger import WAIT_S, Ledger, system_clock
from sandtrack.ledger.brought import Brought
from sandtrack.plant import Plant, read_toml
from sandtrack.records import fields
from sandtrack.records.notation import Notation
from sandtrack.shop import changing, cover, finding, moulds, notation, receipts, stock
from sandtrack.shop.answer import Answer, Basis, Caution, Flag, Range, Receipt
from sandtrack.shop.circuit import balance, rates
from sandtrack.shop.dosing import issued, lessons, setting, stopped, table
from sandtrack.shop.keeping import Keeping
from sandtrack.shop.mixers import audit, calibration
from sandtrack.shop.picture import Moment, day_of, moment, picture
from sandtrack.shop.trusted import question
from sandtrack.shop.watch import attention

__all__ = ["Answer", "Basis", "Caution", "Flag", "Range", "Receipt", "Shop"]


class Shop(Keeping):
    """One foundry's sand side. Times are RFC 3339 text, local text, datetimes, or dates where a day will do."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger

    @classmethod
    def create(
        cls,
        path: str | Path,
        plant: str | Path | Mapping[str, Any],
        *,
        sender: str = "set-up",
        clock: Callable[[], int] = system_clock,
        wait_s: float = WAIT_S,
    ) -> Shop:
        """Make a shop file from a set-up (a TOML file or a mapping); raises InputErrors or ShopFileError."""
        content = plant if isinstance(plant, Mapping) else read_toml(plant)
        return cls(Ledger.create(path, content, sender=sender, clock=clock, wait_s=wait_s))

    @classmethod
    def open(
        cls, path: str | Path, *, clock: Callable[[], int] = system_clock, wait_s: float = WAIT_S,
        clock_is_right: bool = False,
    ) -> Shop:  # fmt: skip
        """Open a shop file; raises ShopFileError, of which ShopBusy after `wait_s` seconds of another's writing.

        A file that cannot be written still answers questions. Over 400 days past the last record nothing is recorded
        (ClockAhead) without `clock_is_right`.
        """
        ledger = Ledger.open(path, clock=clock, wait_s=wait_s)
        ledger.clock_is_right = clock_is_right
        return cls(ledger)

    def close(self) -> None:
        """Close the file."""
        self.ledger.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def plant(self, at: Moment = None) -> Plant:
        """The set-up in force at an instant (default: now)."""
        with picture(self.ledger, at) as seen:
            return seen.plant

    def plant_content(self, at: Moment = None) -> Mapping[str, Any]:
        """The set-up in force as it was sent: a mapping that `create` and `log("plant", …)` take."""
        with picture(self.ledger, at) as seen:
            read: Mapping[str, Any] = seen.reader.content(seen.day.revision)
        return read

    def notation(self) -> Notation:
        """How people of the shop write what they type, by the set-up in force now; names are of any revision."""
        return notation.of(self.ledger.setups(), self.ledger.clock())

    # -- recording ----------------------------------------------------------------------------------------------

    def log(
        self, kind: str, content: Mapping[str, Any], *, sender: str, id: str | None = None,
        sent_at: Moment = None, age_s: float | None = None, brought: Brought | None = None,
    ) -> Receipt:  # fmt: skip
        """Record what happened; a repeat with the same id and content adds nothing.

        `sent_at` is the sender's own clock as it sent, `age_s` the seconds since it happened, of a sender that has no
        clock; `brought` says who brings it over a network.
        Raises InputErrors, Conflict, NoSuchRecord, AlreadyReversed, ClockAhead.
        """
        sent = None if sent_at is None else moment(sent_at, self.ledger.zone, "sent_at", fields.Instant)
        age_us = None if age_s is None else round(age_s * 1e6)
        entry = self.ledger.entry(
            kind, content, sender=sender, record_id=id, sent_at=sent, age_us=age_us, brought=brought
        )
        return receipts.receipt(self.ledger, entry, self.ledger.append(entry))

    def undo(self, sender: str, id: str, *, reason: str, by: str) -> Receipt:
        """Withdraw a record by a reversal."""
        return self.log("reversal", {"of": {"sender": sender, "id": id}, "reason": reason}, sender=by)

    def change_plant(
        self, change: Mapping[str, Any], *, by: str, valid_from: Moment = None, id: str | None = None,
        brought: Brought | None = None,
    ) -> Receipt:  # fmt: skip
        """Change a part of the set-up from a day on (today, if none is named): the next whole revision is recorded.

        `change` is a part of the set-up with its new values, None for what is to go, as in a JSON Merge Patch.
        """
        day = None if valid_from is None else day_of(valid_from, "valid_from")
        entry, accepted = changing.change(self.ledger, change, valid_from=day, sender=by, record_id=id, brought=brought)
        return receipts.receipt(self.ledger, entry, accepted)

    # -- asking -------------------------------------------------------------------------------------------------

    @question
    def stock(self, at: Moment = None, known_on: Moment = None) -> Answer:
        """What is where, at an instant (default: now), as known by the end of a day (default: now)."""
        with picture(self.ledger, at, known_on) as seen:
            return stock.stock(seen)

    @question
    def cover(self, at: Moment = None, known_on: Moment = None) -> Answer:
        """How long stock lasts, and by when to order."""
        with picture(self.ledger, at, known_on) as seen:
            return cover.cover(seen)

    @question
    def setting(
        self,
        mixer: str,
        binder_system: str,
        sand_temp_c: float | str | None = None,
        *,
        strip_time_min: float | str | None = None,
        pattern: str | None = None,
        box_sand_kg: float | str | None = None,
        purpose: str | None = None,
        chance: float | None = None,
        catalyst_pct: float | None = None,
        fast_share: float | None = None,
        pattern_temp_c: float | str | None = None,
        surroundings_c: float | str | None = None,
        time_constant_min: float | str | None = None,
        at: Moment = None,
        known_on: Moment = None,
    ) -> Answer:
        """What to set on a mixer, how long the box can be filled, and when it strips.

        The sand temperature may have a unit ("54 °F"); default: the last one recorded. With `catalyst_pct` or
        `fast_share`: what that setting would give. Raises UnknownName, InputErrors.
        """
        with picture(self.ledger, at, known_on) as seen:
            return setting.setting(
                seen,
                mixer,
                binder_system,
                sand_temp_c,
                strip_time_min=strip_time_min,
                pattern=pattern,
                box_sand_kg=box_sand_kg,
                purpose=purpose,
                chance=chance,
                catalyst_pct=catalyst_pct,
                fast_share=fast_share,
                pattern_temp_c=pattern_temp_c,
                surroundings_c=surroundings_c,
                time_constant_min=time_constant_min,
            )

    @question
    def table(
        self,
        mixer: str,
        binder_system: str,
        *,
        lowest_c: float | str,
        highest_c: float | str,
        step_c: float | str = 2.0,
        strip_time_min: float | str | None = None,
        pattern: str | None = None,
        box_sand_kg: float | str | None = None,
        purpose: str | None = None,
        chance: float | None = None,
        at: Moment = None,
        known_on: Moment = None,
    ) -> Answer:
        """What to set at each sand temperature of a span, with the day it expires: for a device, or for the wall.

        Raises UnknownName, InputErrors.
        """
        with picture(self.ledger, at, known_on) as seen:
            return table.table(
                seen,
                mixer,
                binder_system,
                lowest_c=lowest_c,
                highest_c=highest_c,
                step_c=step_c,
                strip_time_min=strip_time_min,
                pattern=pattern,
                box_sand_kg=box_sand_kg,
                purpose=purpose,
                chance=chance,
            )

    def issue_table(
        self,
        mixer: str,
        binder_system: str,
        *,
        by: str,
        sender: str = issued.SENDER,
        id: str | None = None,
        brought: Brought | None = None,
        **asked: Any,
    ) -> issued.Issued:
        """Give out a table of now: numbered, and kept in the book as it is; `asked` as in `table`, without a time.

        A table that is a "no" is not given out. Asked again under the same id, the table that was kept is told.
        Raises UnknownName, InputErrors, and Conflict where the id was used for another question.
        """
        said = {name: value for name, value in asked.items() if value is not None}
        return issued.issue(
            self.ledger,
            lambda seen: table.table(seen, mixer, binder_system, **said),
            by,
            asked={"mixer": mixer, "binder_system": binder_system, **said},
            sender=sender,
            record_id=id,
            brought=brought,
        )

    @question
    def tables(
        self, at: Moment = None, known_on: Moment = None, number: int | None = None, mixer: str | None = None
    ) -> Answer:
        """Tables that were given out, the latest first, and which of them may still be used. Raises UnknownName."""
        with picture(self.ledger, at, known_on) as seen:
            return issued.tables(seen, number, mixer=mixer)

    @question
    def stopped(
        self,
        mixer: str,
        binder_system: str,
        sand_temp_c: float | str | None = None,
        minutes_ago: float | str = 0.0,
        *,
        filled_for_min: float | str | None = None,
        purpose: str | None = None,
        catalyst_pct: float | None = None,
        fast_share: float | None = None,
        pattern_temp_c: float | str | None = None,
        surroundings_c: float | str | None = None,
        time_constant_min: float | str | None = None,
        at: Moment = None,
        known_on: Moment = None,
    ) -> Answer:
        """Whether a fill that stopped some minutes ago can be carried on, or is dumped.

        `filled_for_min` is how long it had run by then. Raises UnknownName, InputErrors.
        """
        with picture(self.ledger, at, known_on) as seen:
            return stopped.stopped(
                seen,
                mixer,
                binder_system,
                sand_temp_c,
                minutes_ago,
                filled_for_min=filled_for_min,
                purpose=purpose,
                catalyst_pct=catalyst_pct,
                fast_share=fast_share,
                pattern_temp_c=pattern_temp_c,
                surroundings_c=surroundings_c,
                time_constant_min=time_constant_min,
            )

    @question
    def learned(
        self, binder_system: str, at: Moment = None, known_on: Moment = None, definition: str | None = None
    ) -> Answer:
        """What the strip checks of a binder system have taught, how far to trust it, and what to check next.

        By the reference's definition of strip, if none is said. Raises UnknownName, InputErrors.
        """
        with picture(self.ledger, at, known_on) as seen:
            return lessons.learned(seen, binder_system, definition)

    @question
    def moulds(self, at: Moment = None, known_on: Moment = None) -> Answer:
        """Which moulds stand, what they hold, and when each can be drawn."""
        with picture(self.ledger, at, known_on) as seen:
            return moulds.moulds(seen)

    @question
    def rates(self, since: Moment, until: Moment, known_on: Moment = None) -> Answer:
        """The named rates of a period: how much sand came back, and what a tonne of castings took."""
        start, end = self._period(since, until)
        with picture(self.ledger, until, known_on) as seen:
            return rates.rates(seen, start, end)

    @question
    def balance(self, since: Moment, until: Moment, known_on: Moment = None) -> Answer:
        """What was there, came, went and is there now in a period, and what no record explains."""
        start, end = self._period(since, until)
        with picture(self.ledger, until, known_on) as seen:
            return balance.balance(seen, start, end)

    @question
    def attention(self, at: Moment = None, known_on: Moment = None) -> Answer:
        """Everything that needs a look at an instant (default: now), most urgent first."""
        with picture(self.ledger, at, known_on) as seen:
            return attention.attention(seen)

    @question
    def calibration(self, mixer: str, at: Moment = None, known_on: Moment = None) -> Answer:
        """What a mixer's latest calibrations say: rates, settings, drift, what it does to the mix, and when due.

        Raises UnknownName.
        """
        with picture(self.ledger, at, known_on) as seen:
            return calibration.calibration(seen, mixer)

    @question
    def audit(
        self, mixer: str | None = None, since: Moment = None, until: Moment = None, known_on: Moment = None
    ) -> Answer:
        """What mixes really held against what they should have: drifts found and dated, tanks against doses.

        Default: every mixer, the 35 days up to `until`, which is now. Raises UnknownName, InputErrors.
        """
        with picture(self.ledger, until, known_on) as seen:
            begin = seen.today - timedelta(days=audit.USUAL_DAYS) if since is None else since
            start, _ = self._period(begin, seen.today if until is None else until)
            return audit.audit(seen, mixer, start, seen.at)

    def _period(self, since: Moment, until: Moment) -> tuple[int, int]:
        """First and last instant of a period of days or times; raises InputErrors."""
        start = moment(since, self.ledger.zone, "since", fields.DayStartInstant)
        end = moment(until, self.ledger.zone, "until", fields.DayEndInstant)
        if end < start:
            problem = FieldError(field="until", value=until, reason="is before since", accepted="a later time")
            raise InputErrors([problem], what="the question")
        return start, end

    @question
    def records(
        self, *, kind: str | None = None, sender: str | None = None, id: str | None = None, since: Moment = None,
        until: Moment = None, place: str | None = None, mould: str | None = None, text: str | None = None,
        since_id: str | None = None, limit: int = 100, after: str | None = None, known_on: Moment = None,
    ) -> Answer:  # fmt: skip
        """Records found again, the latest first; with `since_id`, what of a sender was recorded after that one."""
        zone = self.ledger.zone
        start = None if since is None else moment(since, zone, "since", fields.DayStartInstant)
        end = None if until is None else moment(until, zone, "until", fields.DayEndInstant)
        with picture(self.ledger, None, known_on) as seen:
            return finding.records(
                seen,
                kind=kind,
                sender=sender,
                record_id=id,
                since=start,
                until=end,
                place=place,
                mould=mould,
                text=text,
                since_id=since_id,
                limit=limit,
                after=after,
            )

    @question
    def brief(self, at: Moment = None) -> Answer:
        """The morning brief: the answers of one moment, side by side."""
        from sandtrack.shop import brief

        with picture(self.ledger, at) as seen:
            return brief.brief(seen)
