"""What a cell of a sheet shows: its number or date by its number format, so that nothing is read that nobody sees.

The formats are those of Office Open XML (ECMA-376 part 1, 18.8.30 and 18.8.31).
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import Any, NamedTuple

from sandtrack import units
from sandtrack.records.wants import Want
from sandtrack.shop.loading.sources import Marks, Wrong, error_value, lost_letter

MOST_DIGITS = 15
"""A number cell keeps so many significant digits."""

_AS_TEXT = "the cell formatted as text and typed again"
_TOKEN = re.compile(
    r'"(?P<quoted>[^"]*)"?|\\(?P<escaped>.)|[_*].|\[\$(?P<currency>[^\]-]*)[^\]]*\]|\[(?P<bracket>[^\]]*)\]|'
    r"(?P<general>general)|(?P<scientific>e[+-])|(?P<digit>[0#?])|(?P<sign>.)",
    re.IGNORECASE | re.DOTALL,
)
_GROUPING = " \u00a0\u202f'’"


class Format(NamedTuple):
    """How one section of a number format shows a number."""

    prefix: str = ""
    suffix: str = ""
    percents: int = 0
    grouped: bool = False
    least_digits: int = 0
    decimals: bool = False
    odd: str = ""
    """What makes the number that is seen another than the number that is kept."""


@lru_cache(maxsize=1024)
def _sections(code: str) -> tuple[tuple[Format, ...], bool]:
    """The sections of a number format, and whether they are chosen by conditions."""
    sections: list[list[re.Match[str]]] = [[]]
    for match in _TOKEN.finditer(code):
        if match["sign"] == ";":
            sections.append([])
        else:
            sections[-1].append(match)
    conditional = any(
        (match["bracket"] or "")[:1] in "<>=" for section in sections for match in section if match["bracket"]
    )
    return tuple(_format(section) for section in sections), conditional


def _format(tokens: list[re.Match[str]]) -> Format:
    before, after, inside, digits = "", "", "", ""
    general = percents = 0
    odd, scaled, grouped, decimals = "", False, False, False
    for match in tokens:
        sign = match["sign"]
        literal = match["quoted"] or match["escaped"] or match["currency"] or ""
        if match["digit"]:
            scaled, grouped = False, grouped or scaled
            if after.strip(_GROUPING):
                inside += after
            grouped, after = grouped or bool(after), ""
            digits += match["digit"] if not decimals else ""
            general += 1
        elif match["general"] or sign == "@":
            general += 1
        elif match["scientific"]:
            odd = "in powers of ten"
        elif sign == "%":
            percents += 1
        elif sign == "," and general:
            scaled = True
        elif sign == "." and not decimals and not after:
            decimals = True
        elif sign == "/" and digits:
            odd = "as a fraction"
        else:
            literal = literal or sign or ""
            before, after = (before, after + literal) if general else (before + literal, after)
    if scaled:
        odd = "divided by 1000"
    elif inside:
        odd = f"with {inside!r} among its digits"
    elif not general:
        odd = "as words" if before.strip() else "as nothing"
    return Format(before, after, percents, grouped, digits.count("0"), decimals, odd)


def _of(value: float, code: str) -> Format:
    sections, conditional = _sections(code)
    if conditional:
        return sections[0] if len(set(sections)) == 1 else sections[0]._replace(odd="in one of several ways")
    if value < 0 and len(sections) > 1:
        chosen = sections[1]
        signed = any(sign in chosen.prefix for sign in "-−(")
        return chosen if signed or chosen.odd else chosen._replace(odd="without its minus")
    return sections[2] if value == 0 and len(sections) > 2 else sections[0]


def reading(cell: Any, column: int, want: Want, marks: Marks) -> tuple[str, Wrong | None]:
    """What a cell says as it would stand in a CSV file, and what is wrong with it."""
    value = cell.value
    if value is None:
        return "", None
    if isinstance(value, str):
        text = value.strip()
        if cell.data_type == "e":
            return text, Wrong("error_value", "is the error of a formula", "the value itself", column, text)
        return text, error_value(column, text) or lost_letter(column, text)
    if isinstance(value, bool):
        text = "true" if value else "false"
        if want.sort in ("flag", "value", "text"):
            return text, None
        return text, Wrong("not_wanted", "is yes or no, not what is wanted here", want.accepted, column, text)
    if isinstance(value, date | time | timedelta):
        return _dated(value, cell.number_format, column, want)
    return _number(value, cell.number_format, column, want, marks)


def _dated(value: Any, code: str, column: int, want: Want) -> tuple[str, Wrong | None]:
    letters = "".join(match["sign"] or "" for match in _TOKEN.finditer(code)).lower()
    if isinstance(value, datetime):
        text = value.isoformat(" ") if "h" in letters or not letters else value.date().isoformat()
    else:
        text = str(value)
    if want.sort == "text":
        return text, None
    if not isinstance(value, date):
        what = "is a duration" if isinstance(value, timedelta) else "is a time of day without a date"
        return text, Wrong("not_wanted", what, want.accepted, column, text)
    if want.sort == "time":
        if letters and "d" not in letters:
            reason = f"is a date whose day is not shown (format {code})"
            return text, Wrong("not_shown_alike", reason, "a format that shows day, month and year", column, text)
        return text, None
    reason = "is a date, as spreadsheet programs make of 3-4 or 3.4"
    return text, Wrong("not_wanted", reason, f"{want.accepted}; {_AS_TEXT}", column, text)


def _number(value: float, code: str, column: int, want: Want, marks: Marks) -> tuple[str, Wrong | None]:
    plain = str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(value)
    if want.sort == "time":
        reason = "is a number, not shown as a date"
        return plain, Wrong("not_wanted", reason, "the cell formatted as date and time", column, plain)
    shown = _of(value, code)
    if want.sort == "name":
        return _name(plain, shown, code, column)
    if shown.odd and (want.sort != "text") and shown.odd not in ("in powers of ten", "as a fraction"):
        return plain, _unlike(plain, shown.odd, code, column)
    prefix = shown.prefix.strip(" -−+()\u00a0")
    if prefix and value:
        return plain, _unlike(plain, f"with {prefix!r} before it", code, column)
    text = f"{Decimal(plain).scaleb(2 * shown.percents).normalize():f}" if shown.percents else plain
    if not marks.sure and len(text.partition(".")[2]) == 3:
        text += "0"  # a number cell has one reading: its fourth decimal keeps it from being asked back
    text = text.replace(".", marks.decimal)
    unit = shown.suffix.strip(" ()\u00a0-")
    if shown.percents:
        unit = f"{'%' * shown.percents} {unit}".strip()
    elif unit and units.spelled(unit, want.quantity) == want.unit != "":
        unit = ""
    return (f"{text} {unit}" if unit else text), None


def _name(plain: str, shown: Format, code: str, column: int) -> tuple[str, Wrong | None]:
    """A name made of digits, as it is shown: 00118 stays 00118."""
    whole = plain.lstrip("-").isdecimal()
    if len(plain.replace(".", "").strip("-0")) > MOST_DIGITS or "e" in plain:
        reason = f"has more than the {MOST_DIGITS} digits that a number cell keeps"
        return plain, Wrong("too_many_digits", reason, _AS_TEXT, column, plain)
    decimals = shown.decimals or (not whole and code.lower() not in ("general", "@"))
    odd = shown.odd or (
        "in %" if shown.percents else "with a mark of thousands" if shown.grouped and len(plain) > 3 else ""
    )
    if odd or decimals:
        return plain, _unlike(plain, odd or "with other decimals", code, column)
    text = plain.zfill(shown.least_digits + plain.startswith("-")) if whole else plain
    return f"{shown.prefix}{text}{shown.suffix}".strip(), None


def _unlike(plain: str, odd: str, code: str, column: int) -> Wrong:
    return Wrong(
        "not_shown_alike",
        f"is shown {odd} (format {code})",
        "the cell in a format that shows what it holds, as General; a name formatted as text",
        column,
        plain,
    )
