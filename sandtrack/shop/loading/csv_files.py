"""Tables in CSV files, read line by line: a quotation mark that was left alone spoils its own line and no other."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterator
from typing import BinaryIO

from sandtrack.shop.loading.sources import FileFault, Row, Source, Wrong, error_value, lost_letter

LONGEST_LINE = 1_000_000
_SPOILT = re.compile("[\udc80-\udcff\0\ufffd]")
_SEPARATORS = (",", ";", "\t")
_AS_CSV = "save the table as CSV in UTF-8"
_BEGINNINGS = {
    b"PK\x03\x04": "is a workbook or another zip file, whatever its name says",
    b"\xd0\xcf\x11\xe0": "is a workbook in the old format (.xls) or one with a password, whatever its name says",
    b"\x1f\x8b": "is packed (gzip), whatever its name says",
    b"%PDF": "is a PDF, whatever its name says",
    b"<": "is HTML or XML, whatever its name says",
}


class CsvSource(Source):
    """A CSV file in UTF-8, with or without a mark at its beginning."""

    def rows(self, decimal: str | None) -> Iterator[Row]:
        try:
            with self.path.open("rb") as raw:
                _check_beginning(raw.read(4096))
                raw.seek(0)
                text = io.TextIOWrapper(raw, encoding="utf-8-sig", errors="surrogateescape", newline="")
                yield from self._rows(text, raw)
        except OSError as problem:
            raise FileFault(f"cannot be read ({problem.strerror})", "a file that you may read") from None

    def _rows(self, text: io.TextIOWrapper, raw: BinaryIO) -> Iterator[Row]:
        first = text.readline(LONGEST_LINE)
        self.separator = next((mark for mark in _SEPARATORS if mark in first), ",")
        odd: list[int] = []
        lines = self._lines(first, text, raw, odd)
        if self.line_breaks:
            yield from self._over_lines(lines, odd)
            return
        separator = self.separator
        for number, line in enumerate(lines, 1):
            row = self._quoted(number, line) if '"' in line else Row(number, _stripped(line.split(separator)))
            yield row._replace(wrong=row.wrong or _spoilt(row.cells)) if odd else row
            odd.clear()

    def _quoted(self, number: int, line: str) -> Row:
        try:
            return Row(number, _stripped(next(csv.reader([line], delimiter=self.separator, strict=True))))
        except csv.Error as problem:
            # The line as it is, in one cell: so it can be corrected, and is refused again while it is not.
            return Row(number, [line.strip()], (_explained(str(problem)),))

    def _over_lines(self, lines: Iterator[str], odd: list[int]) -> Iterator[Row]:
        """Rows whose texts may go over several lines."""
        rows = csv.reader(lines, delimiter=self.separator, strict=True)
        start = 1
        while True:
            try:
                cells = _stripped(next(rows))
            except StopIteration:
                return
            except csv.Error as problem:
                yield Row(start, [], (_explained(str(problem)),))
            else:
                yield Row(start, cells, _spoilt(cells) if odd else ())
            odd.clear()
            start = rows.line_num + 1

    def _lines(self, first: str, text: io.TextIOWrapper, raw: BinaryIO, odd: list[int]) -> Iterator[str]:
        """The lines; the numbers of those that need a closer look go into `odd`."""
        for number, line in enumerate(itertools.chain((first,), iter(lambda: text.readline(LONGEST_LINE), "")), 1):
            if "#" in line or "\0" in line or "Err:" in line or (not line.isascii() and _SPOILT.search(line)):
                odd.append(number)
            if len(line) == LONGEST_LINE:
                reason = f"has a line {number} of more than {LONGEST_LINE} characters; is it a CSV file?"
                raise FileFault(reason, code="long_line")
            if number & 255 == 0:
                self.done = raw.tell()
            yield line
        self.done = self.size


def _check_beginning(start: bytes) -> None:
    """Refuse what is no CSV in UTF-8 by its first bytes."""
    if start[:2] in (b"\xff\xfe", b"\xfe\xff") or _every_other_is_zero(start):
        raise FileFault("is written in UTF-16", _AS_CSV, code="not_utf8")
    for beginning, reason in _BEGINNINGS.items():
        if start.startswith(beginning):
            raise FileFault(reason, f"its right name, or {_AS_CSV}", code="other_format")


def _every_other_is_zero(start: bytes) -> bool:
    """Whether a text looks like UTF-16 without a mark: a header in Latin letters is half zero bytes."""
    half = len(start) // 2
    zeros = [start[place::2].count(0) for place in (0, 1)]
    return half >= 4 and max(zeros) > 0.7 * half and min(zeros) < 0.3 * half


def _stripped(cells: list[str]) -> list[str]:
    return [cell.strip() for cell in cells]


def _spoilt(cells: list[str]) -> tuple[Wrong, ...]:
    """What is wrong with cells by the signs in them."""
    wrong: list[Wrong] = []
    for column, cell in enumerate(cells):
        match = _SPOILT.search(cell)
        if match is None:
            fault = error_value(column, cell)
        elif match[0] == "\0":
            fault = Wrong("zero_byte", "holds a zero byte, which no text has", "the text without it", column)
        elif match[0] == "\ufffd":
            fault = lost_letter(column, cell)
        else:
            reason = f"is not UTF-8 (byte {ord(match[0]) - 0xDC00:#04x})"
            fault = Wrong("not_utf8", reason, _AS_CSV, column)
        if fault:
            wrong.append(fault)
    return tuple(wrong)


def _explained(problem: str) -> Wrong:
    if "field larger" in problem or "unexpected end" in problem:
        return Wrong(
            "open_quote",
            "opens a quotation mark that is not closed in its line",
            "the value itself instead of a ditto mark; --line-breaks, where texts go over several lines",
        )
    if "expected after" in problem:
        reason = "has text after a closing quotation mark"
        return Wrong("bad_quote", reason, "a quotation mark inside a text written twice")
    return Wrong("not_csv", f"is not CSV ({problem})", "one cell a column")
