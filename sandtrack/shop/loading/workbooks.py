"""Tables in workbooks (.xlsx), read row by row as they are shown; what nobody sees on a sheet is refused."""

from __future__ import annotations

import re
import warnings
import zipfile
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, TypeVar
from xml.parsers import expat

from sandtrack.records.wants import wants
from sandtrack.shop.loading.shown import reading
from sandtrack.shop.loading.sources import FileFault, Row, Source, Wrong

MOST_UNPACKED = 2_000_000_000
"""A workbook that unpacks to more bytes is refused."""
MOST_UNPACKED_TEXTS = 400_000_000
"""The same for a part that has to be held in memory whole, such as the texts of all cells."""
MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
MOST_MERGES = 10_000
_CHUNK = 65_536
_OLD = b"\xd0\xcf\x11\xe0"
_NO_VALUE = Wrong(
    "no_value",
    "holds a formula whose value is not kept in the file",
    "the file opened in the spreadsheet program, calculated and saved; or the value itself",
)
T = TypeVar("T")


class Marked(NamedTuple):
    """What a row is that openpyxl does not tell: hidden, or with formulas (columns from 0) that have no value."""

    line: int
    hidden: bool
    formulas: tuple[int, ...]


class SheetSource(Source):
    """One sheet of a workbook."""

    has_separator = False
    sheet: str = ""

    def rows(self, decimal: str | None) -> Iterator[Row]:
        with _workbook(self.path) as book:
            sheet = book[self.sheet]
            merges = _merges(book, sheet)
            marked = _Marks(book, sheet)
            marks = self.marks(decimal)
            sheet.reset_dimensions()
            wanted = wants(self.kind, ())
            cells_of = sheet.iter_rows(max_row=MOST_ROWS)
            width = line = 0
            while (cells := _safely(lambda: next(cells_of, None))) is not None:
                line += 1
                texts: list[str] = []
                wrong: list[Wrong] = []
                for column, cell in enumerate(cells):
                    text, fault = "", None
                    if cell.value is not None:
                        want = wanted[column if column < len(wanted) else -1]
                        text, fault = _safely(partial(reading, cell, column, want, marks))
                    texts.append(text)
                    if fault:
                        wrong.append(fault)
                while len(texts) > width and not texts[-1]:
                    texts.pop()
                width = width or len(texts)  # the header's: a sheet has no ragged rows, only cells beside the table
                texts += [""] * (width - len(texts))
                if line == 1:
                    wanted = wants(self.kind, texts)
                wrong += marked.of(line, texts, width)
                wrong += _merged(merges, line, width)
                yield Row(line, texts, tuple(wrong))
        self.done = self.size


def sheets(path: Path) -> dict[str, bool]:
    """The names of the sheets of a workbook, and whether each can be seen; raises FileFault."""
    with _workbook(path) as book:
        return {sheet.title: sheet.sheet_state == "visible" for sheet in book.worksheets}


@contextmanager
def _workbook(path: Path) -> Iterator[Any]:
    import openpyxl

    # What openpyxl warns of (styles and extensions that it leaves out) changes no value.
    warnings.filterwarnings("ignore", module="openpyxl")
    try:
        stream = path.open("rb")
    except OSError as problem:
        raise FileFault(f"cannot be read ({problem.strerror})", "a file that you may read") from None
    with stream:
        _check_zip(stream)
        book = _safely(lambda: openpyxl.load_workbook(stream, read_only=True, data_only=True))
        try:
            yield book
        finally:
            book.close()


def _safely(step: Callable[[], T]) -> T:
    """Take a step in a file that may be damaged in any way: zipfile, expat and openpyxl raise dozens of errors."""
    try:
        return step()
    except FileFault:
        raise
    except Exception as problem:
        what = str(problem).partition("\n")[0][:80] or type(problem).__name__
        raise FileFault(f"is a damaged workbook ({what})", "a copy that opens, saved again", code="damaged") from None


def _check_zip(stream: Any) -> None:
    """Refuse what is no zip of sane size before anything is unpacked."""
    start = stream.read(8)
    stream.seek(0)
    if not start:
        raise FileFault("is empty", "a workbook (.xlsx)", code="empty")
    if start.startswith(_OLD):
        reason = "is a workbook in the old format (.xls) or one with a password, whatever its name says"
        raise FileFault(reason, "save it as .xlsx without a password", code="other_format")
    try:
        archive = zipfile.ZipFile(stream)
        parts = archive.infolist()
    except Exception:
        raise FileFault(
            "is not a workbook (.xlsx), or not all of one", "a workbook that opens", code="damaged"
        ) from None
    if any(part.flag_bits & 1 for part in parts):
        raise FileFault("has a password", "a workbook without one", code="other_format")
    whole = sum(part.file_size for part in parts)
    texts = max((part.file_size for part in parts if "worksheets/" not in part.filename), default=0)
    if whole > MOST_UNPACKED or texts > MOST_UNPACKED_TEXTS:
        reason = f"unpacks to {whole / 1e6:,.0f} MB, more than the {MOST_UNPACKED / 1e6:,.0f} MB that are read"
        if whole <= MOST_UNPACKED:
            reason = (
                f"holds {texts / 1e6:,.0f} MB of texts, more than the {MOST_UNPACKED_TEXTS / 1e6:,.0f} MB that are read"
            )
        raise FileFault(reason, "several files, or CSV", code="too_large")
    for part in parts:
        if part.filename.endswith((".xml", ".rels")) and b"<!DOCTYPE" in _safely(partial(_first_bytes, archive, part)):
            raise FileFault("holds a document type, which no workbook has", "a workbook that opens", code="damaged")
    stream.seek(0)


def _first_bytes(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> bytes:
    with archive.open(part) as opened:
        return opened.read(4096)


# -- what openpyxl does not tell of rows ---------------------------------------------------------------------------


def _part(book: Any, sheet: Any) -> Any:
    """The sheet as it lies in the file; openpyxl has no public name for its place."""
    return book._archive.open(sheet._worksheet_path)


def _merges(book: Any, sheet: Any) -> list[tuple[str, int, int, int]]:
    """Merged ranges as (range, first row, last row, first column from 0); they stand after all rows."""
    from openpyxl.utils import range_boundaries

    def read() -> list[tuple[str, int, int, int]]:
        with _part(book, sheet) as stream:
            refs: set[bytes] = set()
            before = b""
            while chunk := stream.read(_CHUNK):
                text = before + chunk
                refs |= set(re.findall(rb"mergeCell\s[^>]*?ref=[\"']([A-Z0-9$:]+)[\"'][^>]*>", text))
                cut = text.rfind(b"<")
                before = text[cut:] if len(text) - cut < _CHUNK else b""
        if len(refs) > MOST_MERGES:
            raise FileFault(f"has more than {MOST_MERGES} merged cells", "a sheet without them", code="merged")
        ranges: list[tuple[str, int, int, int]] = []
        for ref in sorted(refs):
            first_column, first, _, last = (int(edge or 1) for edge in range_boundaries(ref.decode()))
            ranges.append((ref.decode(), first, last, first_column - 1))
        return ranges

    return _safely(read)


def _merged(merges: list[tuple[str, int, int, int]], line: int, width: int) -> Iterator[Wrong]:
    for ref, first, last, column in merges:
        if first <= line <= last and column < width:
            accepted = "the cells taken apart, the value in each row that it is for"
            yield Wrong("merged", f"belongs to the merged cells {ref}, which keep one value", accepted, column)


class _Marks:
    """Walks a sheet's XML beside openpyxl, a chunk at a time, for what that leaves out."""

    def __init__(self, book: Any, sheet: Any) -> None:
        self._rows: deque[Marked] = deque()
        self.hidden_columns: list[tuple[int, int]] = []
        self._line = self._column = 0
        self._hidden = self._in_cell = self._in_value = self._formula = self._value = self._of_text = False
        self._formulas: list[int] = []
        self._walk = self._walked(book, sheet)

    def _walked(self, book: Any, sheet: Any) -> Iterator[None]:
        parser = expat.ParserCreate()
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._text
        with _safely(lambda: _part(book, sheet)) as stream:
            while chunk := _safely(lambda: stream.read(_CHUNK)):
                _safely(lambda: parser.Parse(chunk, False))
                yield
            _safely(lambda: parser.Parse(b"", True))
        yield

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        name = name.rpartition(":")[2]
        if name == "c":
            place = attributes.get("r", "")
            self._column = _column(place) if place else self._column + 1
            self._in_cell, self._formula, self._value = True, False, False
            self._of_text = attributes.get("t") == "str"
        elif name == "f":
            self._formula = self._in_cell
        elif name == "v":
            # An empty value is one where the formula gives a text; elsewhere nobody has calculated it.
            self._in_value, self._value = True, self._of_text
        elif name == "row":
            line = int(float(attributes.get("r", self._line + 1)))
            if line <= self._line or line > MOST_ROWS:
                raise FileFault(f"has its row {line} out of order", "a copy that opens, saved again", code="damaged")
            self._line, self._column, self._formulas = line, 0, []
            self._hidden = _true(attributes.get("hidden")) or float(attributes.get("ht", 1)) == 0
        elif name == "col" and (_true(attributes.get("hidden")) or float(attributes.get("width", 1)) == 0):
            self.hidden_columns.append((int(attributes["min"]) - 1, int(attributes["max"]) - 1))

    def _end(self, name: str) -> None:
        name = name.rpartition(":")[2]
        if name == "c":
            if self._formula and not self._value:
                self._formulas.append(self._column - 1)
            self._in_cell = False
        elif name == "v":
            self._in_value = False
        elif name == "row" and (self._hidden or self._formulas):
            self._rows.append(Marked(self._line, self._hidden, tuple(self._formulas)))

    def _text(self, _: str) -> None:
        self._value = self._value or self._in_value

    def of(self, line: int, texts: list[str], width: int) -> Iterator[Wrong]:
        """What is wrong with a row that openpyxl has read."""
        while self._line <= line and next(self._walk, self) is not self:
            pass
        while self._rows and self._rows[0].line < line:
            self._rows.popleft()
        if line == 1:
            for first, last in self.hidden_columns:
                for column in range(first, min(last + 1, width)):
                    if texts[column]:
                        yield Wrong("hidden", "is a hidden column", "the column shown, or deleted", column)
        if not self._rows or self._rows[0].line != line:
            return
        row = self._rows.popleft()
        if row.hidden and (any(texts) or row.formulas):
            yield Wrong("hidden", "is a hidden row", "the row shown (a filter may hide it), or deleted")
        for column in row.formulas:
            yield _NO_VALUE._replace(column=column)


def _true(flag: str | None) -> bool:
    return flag in ("1", "true")


def _column(place: str) -> int:
    """The number of the column of a cell such as AB12, from 1."""
    number = 0
    for letter in place:
        if not "A" <= letter <= "Z":
            break
        number = 26 * number + ord(letter) - 64
    return number
