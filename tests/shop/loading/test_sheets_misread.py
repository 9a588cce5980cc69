"""Sheets are read as they are shown: number formats, formulas without a value, hidden and merged cells, damage."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from sandtrack.ledger import Ledger
from sandtrack.shop.loading import load, workbooks

Codes = Callable[..., list[tuple[int | None, str, str]]]
Stock = Callable[[str], dict[str, float]]
AT = datetime(2025, 3, 3, 8, 0)
HEAD = ["sender", "at", "place", "mass_kg", "lot"]


def book(title: str, *rows: list[Any], name: str = "book.xlsx", formats: dict[str, str] | None = None) -> str:
    """A workbook of one sheet; `formats` are number formats by cell."""
    made = Workbook()
    sheet = made.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for place, code in (formats or {}).items():
        sheet[place].number_format = code
    made.save(name)
    return name


def delivery(mass: Any, code: str = "General", lot: Any = None, lot_code: str = "General") -> str:
    return book("delivery", HEAD, ["otto", AT, "silo", mass, lot], formats={"D2": code, "E2": lot_code})


def lots(ledger: Ledger) -> list[Any]:
    with ledger.store.reading() as connection:
        rows = connection.execute("SELECT content ->> 'lot' FROM record WHERE kind = 'delivery' ORDER BY seq")
        return [row[0] for row in rows]


@pytest.mark.parametrize(
    ("mass", "code", "mass_kg"),
    [
        (24600, "General", 24600), (24600.5, "#,##0", 24600.5), (24.6, '0.0" t"', 24600), (24600, '#,##0 "kg"', 24600),
        (1000, '0 "lb"', 453.59237), (24600, "#,##0.00_);(#,##0.00)", 24600), (24.123, "0.000", 24.123),
        (24.5, r"0.0\ \t", 24500), (2.46e4, "0.00E+00", 24600), (24600, "# ##0", 24600), (7, "00000", 7),
        (24600, "[Red]#,##0", 24600),
    ],
)  # fmt: skip
def test_a_unit_that_a_cell_shows_is_its_unit(
    ledger: Ledger, stock_kg: Stock, mass: float, code: str, mass_kg: float
) -> None:
    """24.6 shown as "24.6 t" is 24,600 kg; 1000 shown as "1000 lb" is 453.59237 kg (1 lb = 0.45359237 kg exactly)."""
    load(ledger, [delivery(mass, code)])
    assert stock_kg("silo") == {"new_sand": mass_kg}


@pytest.mark.parametrize(
    ("mass", "code", "fault"),
    [
        (24600, "#,##0.0,", "not_shown_alike"), (24600, '0.0,"t"', "not_shown_alike"),
        (24600, ";;;", "not_shown_alike"),
        (5, '"none"', "not_shown_alike"), (24600, "0-000", "not_shown_alike"), (24600, '"$"#,##0', "not_shown_alike"),
        (24600, "[$€-407] #,##0", "not_shown_alike"), (24600, '0.0" tons"', "bad_value"), (24600, "0%", "bad_value"),
        (24600, '0.0" °C"', "bad_value"), (-5, "0;0", "not_shown_alike"), (24600, '[>999]0.0,"t";0', "not_shown_alike"),
        (AT, "yyyy-mm-dd", "not_wanted"), (True, "General", "not_wanted"), (time(7, 45), "hh:mm", "not_wanted"),
        (timedelta(hours=30), "[h]:mm", "not_wanted"), ("#REF!", "General", "error_value"),
        ("1.000", "@", "ambiguous_number"), ("24,310 kg", "@", "ambiguous_number"), ("24.600", "@", "ambiguous_number"),
    ],
)  # fmt: skip
def test_a_number_that_is_shown_otherwise_is_refused(codes: Codes, mass: Any, code: str, fault: str) -> None:
    """What a person sees in the cell is not what the cell keeps, or is no mass: refused, with line and column."""
    assert codes(delivery(mass, code)) == [(2, "mass_kg", fault)]


def test_a_cell_shown_in_percent_is_what_it_shows(ledger: Ledger) -> None:
    """0.35 shown as 35 % is 35 in a column of percent and 0.35 in a column of shares; plain numbers stay."""
    head = ["sender", "at", "definition", "binder_system", "latest_min", "sand_temp_c", "catalyst_pct", "fast_share"]
    rows: list[list[Any]] = [["ida", AT, "hand", "furan", 50, 21.123, 0.35, None]]
    rows += [["ida", AT, "hand", "furan", 60, 21, 35, None], ["ida", AT, "hand", "furan", 70, 21, 0.07, None]]
    rows += [["ida", AT, "hand", "furan", 80, 21, None, share] for share in (0.35, 0.295)]
    load(ledger, [book("strip_check", head, *rows, formats={"G2": "0%", "G4": "0.0 %", "H5": "0%", "H6": "0.0%"})])
    with ledger.store.reading() as connection:
        kept = connection.execute(
            "SELECT content ->> 'catalyst_pct', content ->> 'fast_share', content ->> 'sand_temp_c' "
            "FROM record WHERE kind = 'strip_check' ORDER BY seq"
        )
        assert kept.fetchall() == [
            (35, None, 21.123), (35, None, 21), (7, None, 21), (None, 0.35, 21), (None, 0.295, 21)
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("lot", "code", "name"),
    [(118, "00000", "00118"), (118, "General", "118"), (118, '"L"0000', "L0118"), ("00118", "@", "00118"),
     (118.5, "General", "118.5"), (118, "@", "118"), (0, "000", "000"), (118, "#,##0", "118")],
)  # fmt: skip
def test_a_name_made_of_digits_keeps_the_zeros_that_it_shows(ledger: Ledger, lot: Any, code: str, name: str) -> None:
    """118 in the format 00000 is the name 00118."""
    load(ledger, [delivery(5, lot=lot, lot_code=code)])
    assert lots(ledger) == [name]


@pytest.mark.parametrize(
    ("lot", "code", "fault"),
    [
        (datetime(2025, 4, 3), "dd.mm.yyyy", "not_wanted"), (time(3, 4), "hh:mm", "not_wanted"),
        (True, "General", "not_wanted"), (1e5, "0.00E+00", "not_shown_alike"), (0.5, "# ?/?", "not_shown_alike"),
        (118119, "000-000", "not_shown_alike"), (24600, "#,##0", "not_shown_alike"), (0.35, "0%", "not_shown_alike"),
        (118.4, "0", "not_shown_alike"), (118, "0.00", "not_shown_alike"), (1234567890123456, "0", "too_many_digits"),
        ("#N/A", "General", "error_value"),
    ],
)  # fmt: skip
def test_a_name_that_became_a_date_or_a_number_is_refused(codes: Codes, lot: Any, code: str, fault: str) -> None:
    """Spreadsheet programs make a date of 3-4, a power of ten of 1E5, a fraction of 1/2."""
    assert codes(delivery(5, lot=lot, lot_code=code)) == [(2, "lot", fault)]


def test_a_time_must_show_its_day(codes: Codes) -> None:
    """A serial number, a time of day alone or a month alone is no moment."""
    rows = [["otto", when, "silo", 5, None] for when in (45719.3333, time(7, 45), datetime(2025, 3, 3, 8), AT)]
    name = book("delivery", HEAD, *rows, formats={"B2": "General", "B4": "mmm yyyy", "B5": "dd.mm.yyyy hh:mm"})
    assert codes(name) == [(2, "at", "not_wanted"), (3, "at", "not_wanted"), (4, "at", "not_shown_alike")]


def test_dates_counted_from_1904_are_the_same_days(ledger: Ledger) -> None:
    """A workbook that counts its days from 1904 says the same day."""
    made = Workbook()
    made.epoch = CALENDAR_MAC_1904
    sheet = made.active
    sheet.title = "delivery"
    sheet.append(HEAD)
    sheet.append(["otto", AT, "silo", 5, "L"])
    sheet["B2"].number_format = "yyyy-mm-dd hh:mm"
    made.save("book.xlsx")
    load(ledger, ["book.xlsx"])
    with ledger.store.reading() as connection:
        found = connection.execute("SELECT content ->> 'at' FROM record WHERE kind = 'delivery'").fetchone()[0]
    assert found == "2025-03-03 08:00:00"


def test_a_formula_without_a_value_is_a_bad_line(ledger: Ledger, codes: Codes) -> None:
    """A formula whose value is not kept in the file is neither a blank nor, in a row of such, no row at all."""
    rows: list[list[Any]] = [HEAD, ["otto", AT, "silo", "=20*1000", None], ["=A2", "=B2", "=C2", "=D2", None]]
    name = book("delivery", *rows, ["otto", AT, "silo", 5, "=1"])
    assert codes(name) == [
        (2, "mass_kg", "no_value"), *((3, column, "no_value") for column in HEAD[:4]), (4, "lot", "no_value")
    ]  # fmt: skip
    _replace(name, b"<v />", b"<v>20000</v>")  # as a spreadsheet program keeps the values
    _replace(name, b"<v></v>", b"<v>20000</v>")
    assert (2, "mass_kg", "no_value") not in codes(name)


def _replace(name: str, old: bytes, new: bytes) -> None:
    """Change the bytes of a workbook's sheets."""
    with zipfile.ZipFile(name) as before:
        parts = {part: before.read(part) for part in before.namelist()}
    with zipfile.ZipFile(name, "w", zipfile.ZIP_DEFLATED) as after:
        for part, content in parts.items():
            after.writestr(part, content.replace(old, new) if "worksheets/" in part else content)


def test_what_nobody_sees_is_asked_back(codes: Codes) -> None:
    """Hidden rows, columns and sheets are refused, not loaded in silence; so are cells that are merged."""
    name = book("delivery", HEAD, *([["otto", AT, "silo", n, "L"] for n in (1, 2, 3, 4, 5)]))
    made = load_workbook(name)
    made["delivery"].row_dimensions[3].hidden = True
    made["delivery"].merge_cells("E5:E6")
    made.save(name)
    assert codes(name) == [(3, "", "hidden"), (5, "lot", "merged"), (6, "lot", "merged")]
    made = load_workbook(book("delivery", HEAD, ["otto", AT, "silo", 5, "L"]))
    made["delivery"].column_dimensions["E"].hidden = True
    made.save(name)
    assert codes(name)[0] == (1, "lot", "hidden")
    made["delivery"].column_dimensions["E"].hidden = False
    made.create_sheet("count")
    made["delivery"].sheet_state = "hidden"
    made.save(name)
    assert (None, "", "hidden") in codes(name)


@pytest.mark.parametrize(
    ("content", "code"),
    [(b"", "empty"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "other_format"), (b"<html>", "damaged"),
     (b"PK\x03\x04" + b"\0" * 90, "damaged"), (b"at,place\n", "damaged")],
)  # fmt: skip
def test_what_is_no_workbook_is_refused(ledger: Ledger, codes: Codes, content: bytes, code: str) -> None:
    """Other formats under the name of a workbook, and empty files, are refused as a whole."""
    Path("delivery.xlsx").write_bytes(content)
    assert codes("delivery.xlsx") == [(None, "", code)]


def test_a_workbook_cut_off_or_of_other_parts_is_refused(ledger: Ledger, codes: Codes) -> None:
    """Half a workbook, a zip without one, and one whose sheet is no XML end in a refusal."""
    whole = Path(delivery(5)).read_bytes()
    for length in range(0, len(whole), len(whole) // 12):
        Path("book.xlsx").write_bytes(whole[:length])
        assert [code for *_, code in codes("book.xlsx")] == ["damaged" if length else "empty"]
    with zipfile.ZipFile("book.xlsx", "w") as packed:
        packed.writestr("readme.txt", "x")
    assert codes("book.xlsx") == [(None, "", "damaged")]
    Path("book.xlsx").write_bytes(whole)
    _replace("book.xlsx", b"</row>", b"</rwo>")
    assert codes("book.xlsx")[-1] == (None, "", "damaged")


def test_a_zip_that_unpacks_without_end_is_refused(codes: Codes, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sizes that a zip states are bounds to its unpacking: one above the limit is refused before that."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr("xl/worksheets/sheet1.xml", b"\0" * 3_000_000)
    Path("delivery.xlsx").write_bytes(packed.getvalue())
    assert len(packed.getvalue()) < 10_000
    monkeypatch.setattr(workbooks, "MOST_UNPACKED", 2_000_000)
    assert codes("delivery.xlsx") == [(None, "", "too_large")]
    monkeypatch.setattr(workbooks, "MOST_UNPACKED", 5_000_000)
    monkeypatch.setattr(workbooks, "MOST_UNPACKED_TEXTS", 100)
    assert codes(delivery(5)) == [(None, "", "too_large")]


def test_entities_are_refused(codes: Codes) -> None:
    """A document type, through which a small text grows without end, is refused before it is read."""
    name = delivery(5)
    _replace(name, b"<worksheet", b'<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet')
    assert codes(name) == [(None, "", "damaged")]


@pytest.mark.parametrize(
    "content",
    [
        b"x = " + b"[" * 5000,
        b"x = 1e99999999999999999999999",
        b"x = " + b"9" * 5000,
        b"\xff\xfex\0",
        b"\0",
        b"x = \xff",
    ],
)
def test_a_set_up_of_any_bytes_is_refused_in_words(ledger: Ledger, codes: Codes, content: bytes) -> None:
    """Nests without end, numbers beyond all measure and other encodings are no TOML that can be used."""
    Path("plant.toml").write_bytes(content)
    assert codes("plant.toml") == [(None, "file", "bad_value")]
