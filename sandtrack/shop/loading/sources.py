"""Where lines come from: what a table is, whatever it is kept in, and what can be wrong with its rows."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import ClassVar, NamedTuple

from sandtrack.errors import FieldError, advice


class Problem(NamedTuple):
    """One thing that is wrong with what was to be loaded."""

    file: str
    line: int | None
    column: str
    value: str | None
    reason: str
    accepted: str = ""
    code: str = FieldError.code

    def __str__(self) -> str:
        line = f" line {self.line}" if self.line is not None else ""
        return f"{self.file}{line}: {self.complaint}"

    @property
    def complaint(self) -> str:
        """What is wrong, without saying where."""
        value = "" if self.value is None else f" {_short(self.value)!r}"
        text = f"{self.column}{value} {self.reason}" if self.column else self.reason
        return text + advice(self.accepted)


def _short(text: str, width: int = 60) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


class Wrong(NamedTuple):
    """What spoils a row: as a whole (no column), or in one cell (columns counted from 0)."""

    code: str
    reason: str
    accepted: str = ""
    column: int | None = None
    value: str | None = None

    def under(self, header: Sequence[str]) -> FieldError:
        """The complaint, under the name of its column where it has one."""
        label = "line" if self.column is None else f"column {self.column + 1}"
        if self.column is not None and self.column < len(header) and header[self.column]:
            label = header[self.column]
        return FieldError(field=label, value=self.value, reason=self.reason, accepted=self.accepted, code=self.code)


class Row(NamedTuple):
    """One row: the physical line it begins on, its cells without outer blanks, what spoils it."""

    line: int
    cells: list[str]
    wrong: tuple[Wrong, ...] = ()


class FileFault(Exception):
    """A file that cannot be read at all."""

    def __init__(self, reason: str, accepted: str = "", *, code: str = "not_readable") -> None:
        super().__init__(reason)
        self.reason, self.accepted, self.code = reason, accepted, code

    def problem(self, file: str) -> Problem:
        """The complaint about a file."""
        return Problem(file, None, "", None, self.reason, self.accepted, self.code)


class Marks(NamedTuple):
    """How numbers are written in a table: the decimal mark, and whether it is known to be that."""

    decimal: str
    sure: bool


@dataclass
class Source(ABC):
    """One table of one kind of record."""

    has_separator: ClassVar[bool] = True

    kind: str
    path: Path
    name: str
    size: int
    separator: str = ","
    line_breaks: bool = False
    """Whether a text may go over several lines."""
    shop_mark: str = "."
    """The decimal mark by the set-up of the shop."""
    done: int = field(default=0)
    """How far it has been read, of `size`."""

    @abstractmethod
    def rows(self, decimal: str | None) -> Iterator[Row]:
        """The rows, the header first; raises FileFault. `decimal` is the mark that was stated, or None."""

    def marks(self, decimal: str | None) -> Marks:
        """How numbers are written here: as stated; with a point where commas stand between the cells; as the shop does.

        Who separates cells with a semicolon or a tab, or keeps numbers as text in a sheet, may write a decimal comma
        and 24.600 for 24600: a shop of points does not make that sure, one of commas does.
        """
        if decimal is None and self.separator == "," and self.has_separator:
            return Marks(".", True)
        return Marks(decimal or self.shop_mark, decimal is not None or self.shop_mark == ",")


_ERROR_VALUE = re.compile(r"#(?:[A-ZÄÖÜÉÈÑ0-9/_]{2,20}[!?]|N/?A|N/?D|NV|#{2,})|Err:[0-9]{3}").fullmatch


def lost_letter(column: int, text: str) -> Wrong | None:
    """The complaint about a text in which a letter was lost; None for others."""
    if "\ufffd" not in text:
        return None
    reason = "holds '\ufffd', which stands where a letter was lost when the file was saved"
    return Wrong("lost_letter", reason, "the text as it was", column, text)


def error_value(column: int, text: str) -> Wrong | None:
    """The complaint about a cell that shows that a formula failed, as #N/A or #REF!; None for others."""
    if not text.startswith(("#", "Err:")) or not _ERROR_VALUE(text):
        return None
    return Wrong(
        "error_value", "is the error of a formula", "the value itself; mend the formula or type it", column, text
    )
