"""A table of settings as a sheet for the wall: black on white, to be read at two metres, on A4 or Letter paper."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Literal

from sandtrack.errors import FieldError, InputErrors
from sandtrack.report import tables
from sandtrack.report.text import Names, day, in_short
from sandtrack.shop.cautions import DEFER

Paper = Literal["a4", "letter"]
PAPER_MM: Mapping[Paper, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216, ANSI Y14.1
# derived: capitals of 0.729 of the size are seen at 2 m under 12 and 6 minutes of arc; ISO 8596: an eye of acuity 1.0
# reads letters of 5.
DIGITS_PT, WORDS_PT = 28, 13
HEAD_PT, RANGE_PT = 14, 20
LEAST_PT = 20
MARGIN_MM = 12.0
_GAP_PT, BOLD = 8.0, 1.15
# Codes of flags about pumps' settings that are guesses: a sheet tells no such setting.
_OF_GUESSES = {"beyond_calibration", "one_setting_caught"}


@dataclass(frozen=True)
class Row:
    """One line of a sheet; `way_out` where it is no plain yes."""

    sand: str
    mark: str
    settings: tuple[str, ...] = ("no",)
    fill: str = ""
    strip: str = ""
    could_be: str = ""
    way_out: str = ""


@dataclass(frozen=True)
class Sheet:
    """What stands on a sheet, as words."""

    title: str
    shop: str
    number: str
    not_after: str
    made: str
    aim: str
    of: str
    again: str
    heads: tuple[str, ...]
    rows: tuple[Row, ...]
    short_cautions: str
    basis: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def of_issued(one: Mapping[str, Any], names: Names, *, units: str = "metric") -> Sheet:
    """The sheet of a table in the form of one given out."""
    cautions = tables.cautions_of(one)
    basis = [line.split(" [")[0] for line in one["basis"]]
    degrees = "°F" if units == "us" else "°C"
    rows = list(one["rows"])
    liquids = tables.settings(rows)
    varied = [liquid for liquid in liquids if not liquid.alike]
    of = _alike(rows, "resin_pct", "resin {:.3g} % of sand")
    if any(row.get("fast_share") is not None for row in rows):
        of += _alike(rows, "catalyst_pct", f"hardener {{:.3g}} {one.get('catalyst_base', '%')}")
    else:
        of += [f"catalyst in {one.get('catalyst_base', '%')}"]
    of += [f"{liquid.head} {liquid.alike}" for liquid in liquids if liquid.alike]
    state = {"valid": "", "expired": "EXPIRED, ", "superseded": "SUPERSEDED, "}[one.get("state", "valid")]
    said = {"strip times", "belief"}
    moved = round(one["ask_again_moved_c"] * 1.8) if units == "us" else one["ask_again_moved_c"]
    mixer, _, rest = tables.heading(one, names).partition(", ")
    return Sheet(
        title=f"{mixer}: {rest}",
        shop=names.plant.shop.name,
        number=f"{state}table {one['number']}" if one.get("number") else "not issued: no number",
        not_after=f"not after {day(one['expires_at'])}",
        made=f"made {day(one['made_at'])}",
        aim=tables.aim(one, units),
        of=", ".join(of),
        again=f"Nearest row counts. Moved by {moved:g} {degrees}: measure, take another. !: see notes.",
        heads=(
            f"sand {degrees}",
            _setting_head(rows),
            *(liquid.head for liquid in varied),
            "fill within min",
            "strip min",
            "could be",
        ),
        rows=tuple(_row(row, varied, units) for row in rows),
        short_cautions=" ".join([*in_short(cautions), DEFER]),
        basis="; ".join(line for line in basis if line.split(":")[0] in said) or "; ".join(basis[:1]),
        notes=tuple(one["look_at"]),
        cautions=tuple(f"{caution.signal}  {caution.text}" for caution in cautions),
    )


def _alike(rows: list[Mapping[str, Any]], name: str, words: str) -> list[str]:
    """What is the same in every row that has a setting, told once."""
    values = {row[name] for row in rows if tables.verdict(row) != "no"}
    return [words.format(values.pop())] if len(values) == 1 else []


def _setting_head(rows: list[Mapping[str, Any]]) -> str:
    head = tables.setting_head(rows)
    return f"{head} %" if head == "catalyst" else f"{head}, %"


def _row(row: Mapping[str, Any], varied: Iterable[tables.Setting], units: str) -> Row:
    temp = row["sand_temp_c"]
    sand = f"{temp * 1.8 + 32:.0f}" if units == "us" else f"{temp:g}"
    mark = "!" if set(row.get("look_at", ())) - _OF_GUESSES else ""
    verdict = tables.verdict(row)
    if verdict == "no":
        return Row(sand, mark, way_out=tables.way_out(row))
    share = row.get("fast_share")
    setting = f"{100 * share:.0f}" if share is not None else f"{row['catalyst_pct']:.1f}"
    if verdict == "test_piece":
        pumps = "".join(f", {liquid.head} {liquid.values[temp]}" for liquid in varied)
        piece = f"only with a test piece, made at {setting} %{pumps}; or {tables.way_out(row)}"
        return Row(sand, mark, ("test",), way_out=piece)
    return Row(
        sand,
        mark,
        (setting, *(liquid.values[temp] for liquid in varied)),
        f"{int(row['fill_within_min'])}",
        f"{row['strip_mid_min']:.0f}",
        f"{int(row['strip_low_min'])} to {-int(-row['strip_high_min'] // 1)}",
    )


@dataclass(frozen=True)
class Layout:
    """The columns of a sheet: the size of their digits, and their right ends. [pt]"""

    digits_pt: float
    ends: tuple[float, ...]


def layout(sheet: Sheet, paper: Paper) -> Layout:
    """Columns as wide as what stands in them; digits smaller than they should be only where the paper is too narrow."""
    inner = (PAPER_MM[paper][0] - 2 * MARGIN_MM) * 72 / 25.4
    widths: list[float] = []
    for digits in range(DIGITS_PT, LEAST_PT - 1, -1):
        widths = [_GAP_PT + max(width(cell, size) for cell, size in column) for column in _cells(sheet, digits)]
        if sum(widths) <= inner:
            break
    spare = (inner - sum(widths)) / len(widths)
    return Layout(digits, tuple(sum(widths[: count + 1]) + spare * (count + 1) for count in range(len(widths))))


def _cells(sheet: Sheet, digits: float) -> list[list[tuple[str, float]]]:
    """All that stands in each column, with its size."""
    rows = [row for row in sheet.rows if not row.way_out]
    shown = [[(f"{row.sand}!", BOLD * digits) for row in sheet.rows]]
    shown += [[(row.settings[count], digits) for row in rows] for count in range(len(sheet.heads) - 4)]
    shown[1] += [(row.settings[0], digits) for row in sheet.rows if row.way_out]
    shown += [[(row.fill, digits) for row in rows], [(row.strip, digits) for row in rows]]
    shown += [[(row.could_be, RANGE_PT) for row in rows]]
    heads = [[(word, BOLD * HEAD_PT) for word in head.split()] for head in sheet.heads]
    return [head + column for head, column in zip(heads, shown, strict=True)]


def width(words: str, size: float) -> float:
    """Width in the widest type that sheets are drawn with: a digit or letter 0.636 of its size, points half of that."""
    return size * sum(0.318 if letter in " .,!" else 0.636 for letter in words)


def write(sheet: Sheet, path: str | Path, *, paper: Paper = "a4") -> list[Path]:
    """Write a sheet to a file by its ending: .html, .pdf, .png or .svg; further pages of pictures beside it."""
    where = Path(path)
    kind = where.suffix.lower()
    if kind == ".html":
        where.write_text(as_html(sheet, paper), encoding="utf-8")
        return [where]
    if kind in (".pdf", ".png", ".svg"):
        from sandtrack.report import sheet_drawn

        return sheet_drawn.write(sheet, where, paper)
    accepted = "a name that ends in .html, .pdf, .png or .svg"
    problem = FieldError(field="sheet", value=str(path), reason="is no kind of sheet", accepted=accepted)
    raise InputErrors([problem], what="the command")


_STYLE = """
@page { size: SIZE portrait; margin: MARGINmm;
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 10pt sans-serif; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 191mm; background: #fff; color: #000; font: 12pt/1.25 sans-serif; }
h1 { font-size: 24pt; line-height: 1.1; margin: 0 0 1mm; }
.until { font-size: 20pt; font-weight: bold; margin: 0 0 1mm; }
.aim { font-size: WORDSpt; margin: 0; }
table { width: 100%; border-collapse: collapse; margin: 0 0 2mm; }
thead { display: table-header-group; }
tfoot { display: table-footer-group; }
thead td, tfoot td { white-space: normal; text-align: left; border: none; padding: 0; }
th { font-size: HEADpt; line-height: 1.1; text-align: right; vertical-align: bottom; padding: 1mm 0 0 3mm; }
tbody { border-top: 2pt solid #000; }
td { font-size: DIGITSpt; line-height: 1.1; text-align: right; border-bottom: 0.5pt solid #000; padding: 0 0 0 3mm;
  white-space: nowrap; }
tr, .keep { break-inside: avoid; }
tbody td:first-child { font-weight: bold; }
.mark { display: inline-block; width: 0.4em; }
td.could { font-size: RANGEpt; }
td.out { font-size: WORDSpt; line-height: 1.15; text-align: left; white-space: normal; }
.short { font-size: 14pt; font-weight: bold; border: 1.5pt solid #000; padding: 1mm 2mm; margin: 2mm 0 0; }
p { margin: 0 0 1mm; font-size: 10pt; }
@media screen { body { padding: 8mm; } }
"""


def as_html(sheet: Sheet, paper: Paper = "a4") -> str:
    """A sheet as one file that needs no other; printed, it fills A4 or Letter paper.

    What counts until when, and the short cautions, belong to the table's head and foot: so each page has them.
    """
    sizes = {"DIGITS": layout(sheet, paper).digits_pt, "WORDS": WORDS_PT, "HEAD": HEAD_PT, "RANGE": RANGE_PT}
    style = _STYLE.replace("SIZE", {"a4": "A4", "letter": "letter"}[paper])
    for word, size in {"MARGIN": MARGIN_MM, **sizes}.items():
        style = style.replace(word, f"{size:g}")
    heads = "".join(f"<th>{escape(head)}</th>" for head in sheet.heads)
    body = "\n".join(_html_row(row, len(sheet.heads)) for row in sheet.rows)
    notes = _paragraphs(f"! {note}" for note in sheet.notes)
    return f"""<!DOCTYPE html>
<html lang="en">
<head><meta charset="utf-8"><title>{escape(sheet.title)}</title><style>{style}</style></head>
<body>
<table>
<thead>
<tr><td colspan="{len(sheet.heads)}">
<h1>{escape(sheet.title)}</h1>
<p class="until">{escape(sheet.number)}, {escape(sheet.not_after)}</p>
<p class="aim">{escape(sheet.of)}</p>
<p class="aim">{escape(sheet.made)}; {escape(sheet.aim)}</p>
<p class="aim">{escape(sheet.again)}</p>
</td></tr>
<tr>{heads}</tr>
</thead>
<tfoot><tr><td colspan="{len(sheet.heads)}"><p class="short">{escape(sheet.short_cautions)}</p></td></tr></tfoot>
<tbody>
{body}
</tbody>
</table>
<div class="keep">
<p><b>{escape(sheet.title)}, {escape(sheet.number)}.</b> Rests on {escape(sheet.basis)}. {escape(sheet.shop)}</p>
{notes}
{_paragraphs(sheet.cautions)}
</div>
</body>
</html>
"""


def _html_row(row: Row, columns: int) -> str:
    first = f'<td>{escape(row.sand)}<span class="mark">{escape(row.mark)}</span></td>'
    first += "".join(f"<td>{escape(setting)}</td>" for setting in row.settings)
    if row.way_out:
        return f'<tr>{first}<td class="out" colspan="{columns - 2}">{escape(row.way_out)}</td></tr>'
    rest = f'<td>{escape(row.fill)}</td><td>{escape(row.strip)}</td><td class="could">{escape(row.could_be)}</td>'
    return f"<tr>{first}{rest}</tr>"


def _paragraphs(told: Iterable[str]) -> str:
    return "\n".join(f"<p>{escape(line)}</p>" for line in told)
