"""Numbers of moulds: whether a text is one number, or a list or a range that somebody wrote as one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from sandtrack.errors import FieldError

FORM = "a form of mould numbers: # a digit, ? a letter, * after either as many as there are, the rest as it is"

_LIST_SIGN = re.compile(r"\s*[,+&|]\s*|\s*\.\.+\s*|\s+")
_RANGE = re.compile(r"[0-9]+\s*[-‐-―−/~:]\s*[0-9]+(?:\s*[-‐-―−/~:]\s*[0-9]+)*").fullmatch
_HAS_DIGIT = re.compile("[0-9]").search
_SIGNS = {"#": "[0-9]", "?": "[A-Za-z]"}


@lru_cache(maxsize=256)
def _matcher(form: str) -> re.Pattern[str]:
    """A form as a pattern; possessive repeats take no second look, so no text takes long."""
    parts: list[str] = []
    for sign in form:
        if sign == "*" and parts and parts[-1] in _SIGNS.values():
            parts[-1] += "++"
        else:
            parts.append(_SIGNS.get(sign) or re.escape(sign))
    return re.compile("".join(parts))


def is_unclear(number: str, forms: Sequence[str] = ()) -> bool:
    """Whether a number fits none of the shop's forms; without forms, whether it reads as a list or a range.

    >>> [is_unclear(number) for number in ("118", "A-118", "118,119", "118 119", "118-121")]
    [False, False, True, True, True]
    >>> is_unclear("118-121", ["###", "###-###"]), is_unclear("1184", ["###"])
    (False, True)
    """
    if forms:
        return not any(_matcher(form).fullmatch(number) for form in forms)
    if number.isalnum():
        return False  # no sign that parts numbers
    if "," in number or _RANGE(number):
        return True
    return sum(1 for part in _LIST_SIGN.split(number) if _HAS_DIGIT(part)) > 1


def numbers_of(values: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Every mould that a record names, with its field."""
    if "mould" in values:
        yield "mould", values["mould"]
    for number in values.get("moulds", ()):
        yield "moulds", number


def unclear_numbers(values: Mapping[str, Any], forms: Sequence[str]) -> list[str]:
    """The moulds of a record whose numbers are unclear."""
    return [number for _, number in numbers_of(values) if is_unclear(number, forms)]


def complaints(values: Mapping[str, Any], forms: Iterable[str]) -> list[FieldError]:
    """What is asked back of somebody who types, loads or sends a record for people."""
    wanted = tuple(forms)
    problems: list[FieldError] = []
    for field, number in numbers_of(values):
        if is_unclear(number, wanted):
            several = "several as 118;119 or as a list" if field == "moulds" else "one record for each mould"
            own = f"a number of the form {' or '.join(wanted)}" if wanted else "one number"
            problems.append(
                FieldError(
                    field=field,
                    value=number,
                    reason="fits no form of this shop's mould numbers" if wanted else "may be several moulds or one",
                    accepted=f"{own}; {several}; if it is one mould, its form under [shop] mould_numbers",
                    code="mould_unclear",
                )
            )
    return problems
