"""One family of errors. Each says what is wrong, which value, and what to do; details are attributes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


class SandtrackError(Exception):
    """Base of every error that sandtrack raises on purpose.

    ``code`` is stable and meant for programs; the text is meant for people.
    """

    code = "error"

    def __init__(self, message: str, **details: Any) -> None:
        super().__init__(message)
        self.message = message
        self.details = details

    def __reduce__(self) -> tuple[Any, ...]:
        return (_rebuild, (type(self), self.message, self.__dict__))


def _rebuild(kind: type[SandtrackError], message: str, state: dict[str, Any]) -> SandtrackError:
    error = kind.__new__(kind)
    Exception.__init__(error, message)
    error.__dict__.update(state)
    return error


WHOLE = "content"
"""Stands for a field in a complaint about all of what was sent."""


class FieldError(SandtrackError, ValueError):
    """One field of one input holds something that cannot be used."""

    code = "bad_value"

    def __init__(self, *, field: str, reason: str, value: Any = None, accepted: str = "", code: str = "") -> None:
        shown = "" if value is None else f" {_short(value)}"
        text = f"{field}:{shown} {reason}" if shown else f"{field}: {reason}"
        text += advice(accepted)
        super().__init__(text, field=field, value=value, reason=reason, accepted=accepted)
        self.field = field
        self.value = value
        self.reason = reason
        self.accepted = accepted
        if code:
            self.code = code

    def within(self, prefix: str) -> FieldError:
        """Return the same complaint about a field that lies inside `prefix`."""
        field = prefix if self.field == WHOLE else f"{prefix}.{self.field}"
        return FieldError(
            field=field,
            reason=self.reason,
            value=self.value,
            accepted=self.accepted,
            code=self.__dict__.get("code", ""),
        )


class InputErrors(SandtrackError, ValueError):
    """Everything that is wrong with one input, in one go."""

    code = "bad_input"

    def __init__(self, problems: Sequence[FieldError], *, what: str = "input") -> None:
        listed = "\n".join(f"  {problem}" for problem in problems)
        super().__init__(f"{what} cannot be used:\n{listed}", what=what)
        self.problems = list(problems)
        self.what = what


class SetupChanged(SandtrackError):
    """The set-up was changed by somebody else in the meantime."""

    code = "set_up_changed"


class UnknownName(SandtrackError, LookupError):
    """A question names a place, mixer, material … that the set-up does not have."""

    code = "unknown_name"


class Conflict(SandtrackError):
    """The sender has already used this id for another content."""

    code = "conflict"

    def __init__(self, *, sender: str, record_id: str, fields: Sequence[str]) -> None:
        super().__init__(
            f"{sender} has already sent a record with id {record_id!r} and other content "
            f"(different: {', '.join(fields)}); nothing was changed. Send it under a new id, "
            "or reverse the first one if that was the mistake",
            sender=sender,
            id=record_id,
            fields=list(fields),
        )
        self.fields = list(fields)


class NoSuchRecord(SandtrackError, LookupError):
    """A reversal names a record that is not in the ledger (yet)."""

    code = "no_such_record"


class AlreadyReversed(SandtrackError):
    """A record is reversed once, and a reversal never."""

    code = "already_reversed"


class ShopFileError(SandtrackError):
    """The shop file cannot be used: missing, not a shop, newer than this program, damaged, not writable."""

    code = "shop_file"


class ShopBusy(ShopFileError):
    """Someone else went on writing for longer than was to be waited; the same again may succeed."""

    code = "busy"


class ClockAhead(SandtrackError):
    """This computer's clock is so far past the last record that it may be wrong; nothing was recorded."""

    code = "clock_ahead"


class LoadRefused(SandtrackError):
    """A file holds lines that cannot be loaded; nothing of it was."""

    code = "load_refused"

    @property
    def problems(self) -> list[Any]:
        """What is wrong, line by line: the first thousand."""
        return list(self.details["problems"])

    @property
    def result(self) -> Any:
        """What the check found, file by file."""
        return self.details["result"]


def advice(accepted: str) -> str:
    """The end of a complaint: what would be accepted, or the question what was meant."""
    if not accepted:
        return ""
    return (
        f"; {accepted}" if accepted.endswith("?") or accepted.startswith("did you mean") else f"; accepted: {accepted}"
    )


def _short(value: Any, width: int = 60) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= width else text[: width - 1] + "…"
