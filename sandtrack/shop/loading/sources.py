"""Where lines come from: folders, CSV files, sheets of Excel workbooks, each read row by row."""

from __future__ import annotations

import csv
import difflib
import io
import itertools
import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from sandtrack.errors import advice
from sandtrack.records import KINDS

LONGEST_LINE = 1_000_000
_SURROGATE = re.compile("[\udc80-\udcff]")
_SEPARATORS = (",", ";", "\t")


class Problem(NamedTuple):
    """One thing that is wrong with what was to be loaded."""

    file: str
    line: int | None
    column: str
    value: str | None
    reason: str
    accepted: str = ""

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


class Row(NamedTuple):
    """One row: the physical line it begins on, its cells without outer blanks, what spoils it as a whole."""

    line: int
    cells: list[str]
    fault: str = ""


class FileFault(Exception):
    """A file that cannot be read at all."""


@dataclass
class Source(ABC):
    """One table of one kind of record."""

    kind: str
    path: Path
    name: str
    size: int
    separator: str = ","
    done: int = field(default=0)
    """How far it has been read, of `size`."""

    @abstractmethod
    def rows(self, decimal: str) -> Iterator[Row]:
        """The rows, the header first; raises FileFault."""


class CsvSource(Source):
    """A CSV file in UTF-8, with or without a mark at its beginning."""

    def rows(self, decimal: str) -> Iterator[Row]:
        try:
            with self.path.open("rb") as raw:
                if raw.read(2) in (b"\xff\xfe", b"\xfe\xff"):
                    raise FileFault("is written in UTF-16; save it as CSV in UTF-8")
                raw.seek(0)
                text = io.TextIOWrapper(raw, encoding="utf-8-sig", errors="surrogateescape", newline="")
                yield from self._rows(text, raw)
        except OSError as problem:
            raise FileFault(f"cannot be read ({problem.strerror})") from None

    def _rows(self, text: io.TextIOWrapper, raw: BinaryIO) -> Iterator[Row]:
        faults: dict[int, str] = {}
        first = text.readline(LONGEST_LINE)
        self.separator = next((mark for mark in _SEPARATORS if mark in first), ",")
        rows = csv.reader(self._lines(first, text, raw, faults), delimiter=self.separator, strict=True)
        start = 1
        while True:
            try:
                cells = next(rows)
            except StopIteration:
                return
            except csv.Error as problem:
                yield Row(start, [], _explained(str(problem)))
            else:
                found = (
                    [faults.pop(line) for line in range(start, rows.line_num + 1) if line in faults] if faults else []
                )
                yield Row(start, [cell.strip() for cell in cells], found[0] if found else "")
            start = rows.line_num + 1

    def _lines(self, first: str, text: io.TextIOWrapper, raw: BinaryIO, faults: dict[int, str]) -> Iterator[str]:
        for number, line in enumerate(itertools.chain((first,), iter(lambda: text.readline(LONGEST_LINE), "")), 1):
            if not line.isascii() and (wrong := _SURROGATE.search(line)):
                faults[number] = f"is not UTF-8 (byte {ord(wrong[0]) - 0xDC00:#04x}); save the file as CSV in UTF-8"
            elif "\0" in line:
                faults[number] = "holds a zero byte, which no text has"
            if len(line) == LONGEST_LINE:
                raise FileFault(f"has a line {number} of more than {LONGEST_LINE} characters; is it a CSV file?")
            if number & 255 == 0:
                self.done = raw.tell()
            yield line
        self.done = self.size


def _explained(problem: str) -> str:
    if "field larger" in problem or "unexpected end" in problem:
        return "opens a quotation mark that is not closed"
    if "expected after" in problem:
        return "has text after a closing quotation mark; a quotation mark inside a text is written twice"
    if "new-line" in problem:
        return "has a lone line break within an unquoted cell"
    return f"is not CSV ({problem})"


class SheetSource(Source):
    """One sheet of an Excel workbook."""

    sheet: str = ""

    def rows(self, decimal: str) -> Iterator[Row]:
        with _workbook(self.path) as book:
            sheet = book[self.sheet]
            sheet.reset_dimensions()
            width = 0
            for line, cells in enumerate(sheet.iter_rows(), 1):
                texts = [_excel_text(cell, decimal) for cell in cells]
                while len(texts) > width and not texts[-1]:
                    texts.pop()
                width = width or len(texts)  # the header's: a sheet has no ragged rows, only cells beside the table
                texts += [""] * (width - len(texts))
                wrong = next((text for cell, text in zip(cells, texts, strict=False) if cell.data_type == "e"), "")
                yield Row(line, texts, f"holds the error {wrong} of a formula" if wrong else "")
        self.done = self.size


@contextmanager
def _workbook(path: Path) -> Iterator[Any]:
    import zipfile

    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except (OSError, KeyError, ValueError, zipfile.BadZipFile, InvalidFileException):
        raise FileFault("is not an Excel workbook (.xlsx)") from None
    try:
        yield book
    finally:
        book.close()


def _excel_text(cell: Any, decimal: str) -> str:
    """What a cell holds, as it would stand in a CSV file with this decimal mark."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value).replace(".", decimal)
    if isinstance(value, datetime):
        # A cell shown without its time of day is a date.
        return value.isoformat(" ") if re.search("h", cell.number_format, re.I) else value.date().isoformat()
    return value.isoformat() if isinstance(value, date) else str(value)


# -- what there is to load --------------------------------------------------------------------------------------


@dataclass
class Found:
    """What paths hold."""

    plants: list[Path] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)


def find(paths: Iterable[str | Path]) -> Found:
    """Set-ups and tables in files and folders, in the order of loading: by kind, then by name."""
    found = Found()
    for path in map(Path, paths):
        wanted = False
        if path.is_dir():
            for entry in sorted(path.iterdir()):
                if not entry.is_file() or entry.name.startswith((".", "~")):
                    continue
                if entry.suffix.lower() in (".csv", ".xlsx", ".xls") or _is_plant(entry):
                    wanted = True
                    _look(entry, found)
                else:
                    found.skipped.append(str(entry))
            if not wanted:
                reason = "holds nothing to load"
                found.problems.append(Problem(str(path), None, "", None, reason, "plant*.toml, KIND*.csv, KIND*.xlsx"))
        elif path.exists():
            _look(path, found)
        else:
            found.problems.append(Problem(str(path), None, "", None, "is not there", "a file or a folder"))
    order = list(KINDS)
    found.sources.sort(key=lambda source: order.index(source.kind))
    return found


def _is_plant(path: Path) -> bool:
    return path.name.lower().startswith("plant") and path.suffix.lower() == ".toml"


def _look(path: Path, found: Found) -> None:
    if path.suffix.lower() == ".toml":
        found.plants.append(path)
        return
    if path.suffix.lower() == ".xlsx":
        try:
            with _workbook(path) as book:
                names = list(book.sheetnames)
        except FileFault as fault:
            found.problems.append(Problem(str(path), None, "", None, str(fault)))
            return
        _look_into(path, names, found)
        return
    kind = kind_of(path.stem)
    if path.suffix.lower() != ".csv":
        reason = "is neither CSV, .xlsx nor .toml" if path.suffix.lower() != ".xls" else "is in Excel's old format"
        found.problems.append(Problem(str(path), None, "", None, reason, "save it as .xlsx or as CSV in UTF-8"))
    elif kind:
        found.sources.append(CsvSource(kind, path, str(path), path.stat().st_size))
    else:
        found.problems.append(_unnamed(str(path), path.stem))


def _look_into(path: Path, names: list[str], found: Found) -> None:
    kinds = {name: kind_of(name) for name in names}
    own = kind_of(path.stem)
    if own and not any(kinds.values()):
        kinds[names[0]] = own
    if not any(kinds.values()):
        found.problems.append(_unnamed(str(path), path.stem))
    for name, kind in kinds.items():
        if kind:
            source = SheetSource(kind, path, f"{path} [{name}]", path.stat().st_size // len(names))
            source.sheet = name
            found.sources.append(source)
        elif any(kinds.values()) and _near(name):
            found.problems.append(_unnamed(f"{path} [{name}]", name))
        else:
            found.skipped.append(f"{path} [{name}]")


def kind_of(name: str) -> str:
    """The kind that a file or sheet is named by, KIND or KIND_anything; "" if none."""
    name = name.lower().strip()
    named = [kind for kind in KINDS if name == kind or name.startswith(f"{kind}_")]
    return max(named, key=len, default="")


def _near(name: str) -> list[str]:
    return difflib.get_close_matches(re.sub(r"[\s-]+", "_", name.lower()), KINDS, n=1, cutoff=0.7)


def _unnamed(where: str, name: str) -> Problem:
    near = _near(name)
    accepted = f"did you mean {near[0]}?" if near else f"KIND or KIND_anything, where KIND is {', '.join(KINDS)}"
    return Problem(where, None, "", None, "is not named by a kind of record", accepted)
