"""A sheet for the wall drawn by matplotlib: PDF, PNG, SVG. Imported only when one is drawn."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from matplotlib import rc_context
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from sandtrack.report.drawing import DRAWN, save
from sandtrack.report.sheet import BOLD, HEAD_PT, MARGIN_MM, PAPER_MM, RANGE_PT, WORDS_PT, layout, width

if TYPE_CHECKING:
    from sandtrack.report.sheet import Layout, Paper, Row, Sheet

_MM = 72 / 25.4
_MARGIN = MARGIN_MM * _MM
_ROW = 32.5
_BESIDE = 14.0
_SMALL = 9.0
_LETTER_WIDTH = 0.54  # of the type's size, on average over a line


class _Page:
    """One page, drawn from the top down; all lengths in points."""

    def __init__(self, size: tuple[float, float], columns: Layout) -> None:
        self.width, self.height = size
        self.digits_pt = columns.digits_pt
        self.ends = [_MARGIN + end for end in columns.ends]
        self.figure = Figure(figsize=(self.width / 72, self.height / 72), facecolor="white")
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0), xlim=(0, self.width), ylim=(self.height, 0))
        self.axes.set_axis_off()
        self.y = _MARGIN

    @property
    def inner(self) -> float:
        return self.width - 2 * _MARGIN

    @property
    def left(self) -> float:
        """Height that is left."""
        return self.height - _MARGIN - self.y

    def put(self, x: float, y: float, words: str, size: float, *, bold: bool = False, right: bool = False) -> None:
        self.axes.text(
            x,
            y,
            words,
            fontsize=size,
            weight="bold" if bold else "normal",
            ha="right" if right else "left",
            va="baseline",
            color="black",
            parse_math=False,
        )

    def rule(self, thick: float) -> None:
        ends = [_MARGIN, self.width - _MARGIN]
        self.axes.plot(ends, [self.y, self.y], color="black", linewidth=thick, solid_capstyle="butt")

    def paragraph(self, words: str, size: float, *, bold: bool = False) -> None:
        for line in broken(words, size, self.inner, bold=bold):
            self.put(_MARGIN, self.y + 0.8 * size, line, size, bold=bold)
            self.y += 1.2 * size
        self.y += 0.25 * size


def broken(words: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    """Lines that fit a width."""
    letters = max(int(width / (size * _LETTER_WIDTH * (1.12 if bold else 1.0))), 10)
    return textwrap.wrap(words, letters, break_on_hyphens=False) or [""]


def _height(words: str, size: float, width: float, *, bold: bool = False) -> float:
    return 1.2 * size * len(broken(words, size, width, bold=bold)) + 0.25 * size


def write(sheet: Sheet, path: Path, paper: Paper) -> list[Path]:
    """Draw a sheet; a PDF holds all pages, of pictures further pages stand beside the first."""
    with rc_context(DRAWN):
        pages = _pages(sheet, paper)
        if path.suffix.lower() == ".pdf":
            with PdfPages(path, metadata={"Title": sheet.title, "CreationDate": None}) as pdf:
                for page in pages:
                    pdf.savefig(page.figure)
            return [path]
        names = [path, *(path.with_stem(f"{path.stem}-{number}") for number in range(2, len(pages) + 1))]
        for page, name in zip(pages, names, strict=True):
            save(page.figure, name)
        return names


def _pages(sheet: Sheet, paper: Paper) -> list[_Page]:
    size = (PAPER_MM[paper][0] * _MM, PAPER_MM[paper][1] * _MM)
    columns = layout(sheet, paper)
    pages = [_headed(sheet, size, columns)]
    short = _height(sheet.short_cautions, 14, pages[0].inner - 12, bold=True) + 14
    for row in sheet.rows:
        if pages[-1].left < _tall(pages[-1], row) + short:
            _short(pages[-1], sheet)
            pages.append(_headed(sheet, size, columns))
        _draw(pages[-1], row)
    _short(pages[-1], sheet)
    small = [f"Rests on {sheet.basis}. {sheet.shop}", *(f"! {note}" for note in sheet.notes)]
    small += sheet.cautions
    if pages[-1].left < sum(_height(words, _SMALL, pages[-1].inner) for words in small):
        pages.append(_headed(sheet, size, columns, table=False))
    for words in small:
        pages[-1].paragraph(words, _SMALL)
    if len(pages) > 1:
        for number, page in enumerate(pages, 1):
            page.put(size[0] - _MARGIN, size[1] - 0.5 * _MARGIN, f"page {number} of {len(pages)}", 10, right=True)
    return pages


def _headed(sheet: Sheet, size: tuple[float, float], columns: Layout, *, table: bool = True) -> _Page:
    page = _Page(size, columns)
    page.paragraph(sheet.title, 21, bold=True)
    page.paragraph(f"{sheet.number}, {sheet.not_after}", 17, bold=True)
    if table:
        for words in (sheet.of, f"{sheet.made}; {sheet.aim}", sheet.again):
            page.paragraph(words, WORDS_PT)
        _heads(page, sheet)
    return page


def _heads(page: _Page, sheet: Sheet) -> None:
    """Heads of the columns, broken between words to the columns' width, the last lines side by side."""
    starts = [_MARGIN, *page.ends]
    broke = [_head(head, end - start - 6) for head, start, end in zip(sheet.heads, starts, page.ends, strict=False)]
    most = max(map(len, broke))
    for lines, end in zip(broke, page.ends, strict=True):
        for count, line in enumerate(lines, most - len(lines)):
            page.put(end, page.y + 12 + 16 * count, line, HEAD_PT, bold=True, right=True)
    page.y += 16 * most + 2
    page.rule(2.0)


def _head(words: str, wide: float) -> list[str]:
    lines = [""]
    for word in words.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and width(longer, BOLD * HEAD_PT) > wide:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _way_out(page: _Page, row: Row) -> list[str]:
    """What stands in a row that no setting serves, broken to the columns that are free."""
    if not row.way_out:
        return []
    return broken(row.way_out, WORDS_PT, page.ends[-1] - page.ends[1] - _BESIDE)


def _tall(page: _Page, row: Row) -> float:
    """Height of a row: words are never made smaller to fit."""
    return max(_ROW, 1.15 * WORDS_PT * len(_way_out(page, row)) + 6)


def _draw(page: _Page, row: Row) -> None:
    ends, digits, middle = page.ends, page.digits_pt, page.y + 0.5 * _tall(page, row)
    base = middle + 0.36 * digits
    mark = 0.4 * digits
    page.put(ends[0] - mark, base, row.sand, digits, bold=True, right=True)
    page.put(ends[0] - mark + 1, base, row.mark, digits, bold=True)
    lines = _way_out(page, row)
    numbers = row.settings if lines else (*row.settings, row.fill, row.strip)
    for end, told in zip(ends[1:], numbers, strict=False):
        page.put(end, base, told, digits, right=True)
    page.put(ends[-1], base, row.could_be, RANGE_PT, right=True)
    first = middle - 0.575 * WORDS_PT * (len(lines) - 1) + 0.36 * WORDS_PT
    for count, line in enumerate(lines):
        page.put(ends[1] + _BESIDE, first + 1.15 * WORDS_PT * count, line, WORDS_PT)
    page.y += _tall(page, row)
    page.rule(0.5)


def _short(page: _Page, sheet: Sheet) -> None:
    page.y += 6
    top = page.y
    lines = broken(sheet.short_cautions, 14, page.inner - 12, bold=True)
    for line in lines:
        page.put(_MARGIN + 6, page.y + 16, line, 14, bold=True)
        page.y += 1.2 * 14
    page.y += 8
    ends = [_MARGIN, page.width - _MARGIN]
    x, y = [ends[0], ends[1], ends[1], ends[0], ends[0]], [top, top, page.y, page.y, top]
    page.axes.plot(x, y, color="black", linewidth=1.5)
    page.y += 8
