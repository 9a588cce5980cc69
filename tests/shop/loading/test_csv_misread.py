"""CSV files in which a number or a line could be taken for another: refused, with line, column and what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sandtrack.errors import LoadRefused
from sandtrack.ledger import Ledger
from sandtrack.plant import read_toml
from sandtrack.records import flat
from sandtrack.shop import Shop
from sandtrack.shop.loading import load

PLANT = Path(__file__).parent / "plant.toml"
DELIVERY = "id,sender,at,place,mass_kg\n"
Put = Callable[..., str]
Codes = Callable[..., list[tuple[int | None, str, str]]]
Stock = Callable[[str], dict[str, float]]


def test_a_quotation_mark_left_alone_spoils_its_own_line_only(
    ledger: Ledger, put: Put, codes: Codes, stock_kg: Stock
) -> None:
    """Two ditto marks, lines apart, once swallowed all between them; now each line is refused, the rest is read."""
    lines = [f"d{n},otto,2025-03-0{n} 08:00,silo,1000\n" for n in (1, 2, 3, 4)]
    lines[0] = 'd1,otto,2025-03-01 08:00,",1000\n'
    lines[2] = 'd3,otto,2025-03-03 08:00,",1000\n'
    put("delivery.csv", DELIVERY + "".join(lines))
    assert codes("delivery.csv") == [(2, "", "open_quote"), (4, "", "open_quote")]
    result = load(ledger, ["delivery.csv"], keep_good=True, rejects="bad")
    assert (result.lines, result.new, result.refused) == (4, 2, 2)
    assert stock_kg("silo") == {"new_sand": 2000}
    kept = Path("bad/delivery.csv").read_text(encoding="utf-8")
    assert 'd1,otto,2025-03-01 08:00,"",1000' in kept  # the line itself, its mark doubled inside quotation marks
    assert codes("bad") == [(2, "", "ragged"), (3, "", "ragged")]


def test_texts_over_several_lines_are_read_when_it_is_stated(ledger: Ledger, put: Put, codes: Codes) -> None:
    """A line break inside a cell is refused unless asked for."""
    text = 'sender,at,lot,reason\nida,2025-03-03 08:00,L1,"wet\nand cold"\nida,2025-03-03 09:00,L2,wet\n'
    assert codes(put("hold.csv", text)) == [(2, "", "open_quote"), (3, "", "ragged")]
    assert load(ledger, ["hold.csv"], line_breaks=True).new == 2
    with ledger.store.reading() as connection:
        notes = connection.execute("SELECT content ->> 'reason' FROM record WHERE kind = 'hold' ORDER BY seq")
        assert [row[0] for row in notes] == ["wet\nand cold", "wet"]


def test_a_decimal_comma_in_a_comma_file_is_one_cell_too_many(put: Put, codes: Codes) -> None:
    """`24,6` without quotation marks is two cells; in quotation marks it is no number where the mark is the point."""
    assert codes(put("delivery.csv", DELIVERY + "d1,otto,2025-03-03 08:00,silo,24,6\n")) == [(2, "", "ragged")]
    assert codes(put("delivery.csv", DELIVERY + 'd1,otto,2025-03-03 08:00,silo,"24,6"\n')) == [
        (2, "mass_kg", "bad_value")
    ]


SEMICOLONS = "sender;at;place;mass_kg\notto;2025-03-03 08:00;silo;{}\n"


@pytest.mark.parametrize("cell", ["24.600", "1.000", "24.310 kg", "999.999 kg", "−1.000", "+1.000"])
def test_three_digits_after_a_mark_are_asked_back_where_the_mark_is_not_known(
    ledger: Ledger, put: Put, codes: Codes, cell: str
) -> None:
    """In a file with semicolons 24.600 is 24.6 to one and 24600 to another: refused until the mark is stated."""
    put("delivery.csv", SEMICOLONS.format(cell))
    assert codes("delivery.csv") == [(2, "mass_kg", "ambiguous_number")]
    assert codes("delivery.csv", decimal=",") == [(2, "mass_kg", "bad_value")]  # no point is read there at all


@pytest.mark.parametrize(
    ("cell", "mass_kg"),
    [
        ("24.6", 24.6), ("24.60", 24.6), ("24.6000", 24.6), ("24600", 24600), ("0.650", 0.65), ("1234.567", 1234.567),
        ("24.65 t", 24650), ("1.000e3", 1000), (".500", 0.5),
    ],
)  # fmt: skip
def test_numbers_with_one_reading_are_accepted_everywhere(
    ledger: Ledger, put: Put, stock_kg: Stock, cell: str, mass_kg: float
) -> None:
    """No mark of thousands stands after a leading 0, after four digits, or before other than three digits."""
    load(ledger, [put("delivery.csv", SEMICOLONS.format(cell))])
    assert stock_kg("silo") == {"new_sand": mass_kg}


@pytest.mark.parametrize(
    ("separator", "decimal", "cell", "mass_kg"),
    [(",", None, "24.600", 24.6), (",", ".", "24.600", 24.6), (";", ".", "24.600", 24.6), (";", ",", "24,600", 24.6)],
)
def test_a_known_mark_settles_three_digits(
    ledger: Ledger, put: Put, stock_kg: Stock, separator: str, decimal: str | None, cell: str, mass_kg: float
) -> None:
    """Commas between cells leave only the point for decimals; a mark that was stated is believed."""
    put("delivery.csv", SEMICOLONS.format(cell).replace(";", separator))
    load(ledger, ["delivery.csv"], decimal=decimal)
    assert stock_kg("silo") == {"new_sand": mass_kg}


def test_a_shop_with_decimal_comma_reads_its_files_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its set-up 24,600 is 24.6 where semicolons separate; 24.600 is refused; a file with commas has points."""
    monkeypatch.chdir(tmp_path)
    content = read_toml(PLANT)
    content["shop"]["decimal"] = ","
    with Shop.create("comma.sandtrack", content, sender="ida") as shop:
        Path("delivery_a.csv").write_text(SEMICOLONS.format("24,600"))
        Path("delivery_b.csv").write_text(SEMICOLONS.replace(";", ",").format("24.600"))
        assert load(shop.ledger, ["delivery_a.csv"]).new == 1
        assert load(shop.ledger, ["delivery_b.csv"]).known == 1  # the same line, so the same number
        Path("delivery_c.csv").write_text(SEMICOLONS.format("24.600"))
        with pytest.raises(LoadRefused, match=r"has '\.', but the decimal mark here is ','"):
            load(shop.ledger, ["delivery_c.csv"])
        assert load(shop.ledger, ["delivery_c.csv"], decimal=".").known == 1


def test_lists_and_named_values_are_asked_back_too(put: Put, codes: Codes) -> None:
    """The rule holds for every number of a file, in lists and named values as well."""
    text = (
        "sender\tat\ttest\tresults_grains\nida\t2025-03-03 08:00\tother\t1.000\nida\t2025-03-03 08:00\tother\ta.000\n"
    )
    assert codes(put("sand_test.csv", text))[0] == (2, "results_grains", "ambiguous_number")
    header = "sender;at;mixer;binder_system;moulds;shares;stream1_place;stream1_mass_kg\n".replace(";", "\t")
    row = "m1\t2025-03-03 08:00\tm1\tfuran\t1;2\t1.500;2\tsilo\t5\n"
    assert codes(put("mix.csv", header + row)) == [(2, "shares", "ambiguous_number")]


def test_what_is_typed_can_be_asked_back_as_a_file_is() -> None:
    """A row that a person typed is read by the same rule where the shop writes a decimal comma."""
    reader = flat.reader("delivery", ["at", "place", "mass"], sure=False)
    *_, problems = reader.parse(["2025-03-03 08:00", "silo", "24.310 kg"])
    assert [(problem.field, problem.code) for problem in problems] == [("mass", "ambiguous_number")]
    assert "24.31 or 24310" in str(problems[0])


def test_an_error_of_a_formula_is_no_name(put: Put, codes: Codes) -> None:
    """What a spreadsheet program writes where a formula failed is refused, in names as in numbers."""
    rows = "".join(
        f"otto,2025-03-03 08:00,silo,5,{lot}\n" for lot in ("#N/A", "#REF!", "#DIV/0!", "#NAME?", "Err:502", "#4", "#A")
    )
    assert codes(put("delivery.csv", "sender,at,place,mass_kg,lot\n" + rows)) == [
        (line, "lot", "error_value") for line in (2, 3, 4, 5, 6)
    ]


def test_damaged_letters_are_refused_by_line_and_column(put: Put, codes: Codes) -> None:
    """Latin-1, zero bytes and letters lost by an earlier program name the line and the column."""
    head = b"sender,at,lot,reason\n"
    Path("hold.csv").write_bytes(
        head + b"ida,2025-03-03 08:00,L\xe91,ok\nida,2025-03-03 08:00,L2,a\0b\n" + "ida,x,L�3,ok\n".encode()
    )
    assert codes("hold.csv") == [(2, "lot", "not_utf8"), (3, "reason", "zero_byte"), (4, "lot", "lost_letter")]


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"PK\x03\x04rest", "other_format"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "other_format"),
        (b"\x1f\x8b\x08\x00", "other_format"), (b"%PDF-1.7", "other_format"), (b"<html><table>", "other_format"),
        (b"", "empty"), (b"\xef\xbb\xbf", "empty"), (b"\n\n\n", "empty"), (b"\0" * 100, "zero_byte"),
        ("at,place\n".encode("utf-16-le"), "not_utf8"), ("at,place\n".encode("utf-16"), "not_utf8"),
        (b"\xff\xfe\0\0a\0\0\0", "not_utf8"),
    ],
)  # fmt: skip
def test_what_is_no_csv_is_refused_whatever_its_name(put: Put, codes: Codes, content: bytes, code: str) -> None:
    """A file in another format under the name of a table is refused as a whole."""
    Path("delivery.csv").write_bytes(content)
    assert [found for _, _, found in codes("delivery.csv")][:1] == [code]


def test_lone_returns_end_lines(ledger: Ledger, stock_kg: Stock) -> None:
    """A file whose lines end as on an old computer is read line by line."""
    text = "sender,at,place,mass_kg\rotto,2025-03-03 08:00,silo,5\rotto,2025-03-04 08:00,silo,6\r"
    Path("delivery.csv").write_bytes(text.encode())
    assert load(ledger, ["delivery.csv"]).new == 2
    assert stock_kg("silo") == {"new_sand": 11}


def test_folders_and_devices_with_the_name_of_a_table_are_refused(put: Put, codes: Codes) -> None:
    """A folder that is called delivery.csv is neither read nor passed over."""
    put("in/count.csv", "sender,at,place,mass_kg\nida,2025-03-04,silo,5\n")
    Path("in/delivery.csv").mkdir()
    Path("in/plant.toml").mkdir()
    assert codes("in") == [(None, "", "not_readable")] * 2
    assert codes("/dev/null") == [(None, "", "not_readable")]
