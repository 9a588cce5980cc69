"""The flat form: columns from the declaration, compiled headers, rows there and back, errors by column."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import KINDS, canonical, flat, kind_named
from sandtrack.records import fields as f
from sandtrack.records.composite import Items, Part, Rows, Values


def names(kind: str, repeat: int = 3) -> list[str]:
    return [column.name for column in flat.columns(kind, repeat=repeat)]


def read(kind: str, row: dict[str, str], decimal: str = ".") -> dict[str, Any]:
    return flat.reader(kind, list(row), decimal=decimal).read(list(row.values()))[0]


def problems(kind: str, header: list[str]) -> list[str]:
    with pytest.raises(InputErrors) as caught:
        flat.reader(kind, header)
    return [str(problem) for problem in caught.value.problems]


# -- columns ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "expected"),
    [  # the columns that the interface of the files lists. Tag: practice
        ("transfer", "id sender at by source target mould material mass_kg lot note"),
        ("reversal", "id sender at by of_sender of_id reason note"),
        (
            "calibration",
            "id sender at by mixer stream setting catch1_seconds catch1_mass_kg catch2_seconds catch2_mass_kg note",
        ),
    ],
)
def test_columns_follow_the_declaration(kind: str, expected: str) -> None:
    """Common columns come first, then the kind's own in order of declaration, the note last."""
    assert names(kind, repeat=2) == expected.split()


def test_lists_parts_and_named_values_have_columns() -> None:
    """Lists are numbered, parts and named values carry their field's name in front."""
    assert {"stream1_place", "stream1_lot", "stream4_mass_kg"} <= set(names("mix", repeat=4))
    assert {"sample_place", "readings_crucible_g", "results_NAME"} <= set(names("sand_test"))
    assert {"certificate_passed", "certificate_NAME"} <= set(names("delivery"))
    assert "row2_pump_settings_NAME" in names("table_issued")


def test_columns_say_what_they_are() -> None:
    """A column tells its path, whether it must be there, what it accepts and what else it may be called."""
    column = {column.name: column for column in flat.columns("mix")}
    assert column["stream1_mass_kg"].path == ("streams", 0, "mass_kg")
    assert column["stream1_mass_kg"].required
    assert not column["stream2_mass_kg"].required
    assert {"stream1_mass_t", "stream1_mass", "stream1_mass_amount"} <= set(column["stream1_mass_kg"].also)
    assert column["purpose"].accepted == "facing, backing, core, whole"
    assert column["sand_temp_c"].accepted == "a number, -60 to 200 °C"


@pytest.mark.parametrize("kind", KINDS)
def test_templates_are_accepted_as_headers(kind: str) -> None:
    """The template of every kind can be loaded back as a header."""
    line = flat.template(kind)
    assert line.endswith("\n")
    assert flat.reader(kind, line.strip().split(",")).width == line.count(",") + 1


@pytest.mark.parametrize("kind", KINDS)
def test_every_spelling_is_accepted(kind: str) -> None:
    """Whatever else a column may be called is accepted in a header."""
    for column in flat.columns(kind):
        for other in column.also:
            assert flat.reader(kind, [other]).header == [other]


# -- headers ----------------------------------------------------------------------------------------------------


def test_unknown_columns_are_refused_in_one_go() -> None:
    """All columns that do not exist are told together, each with what was probably meant."""
    assert problems("mix", ["at", "stream_1_place", "sand_temp_k", "stream2_mass_tons"]) == [
        "stream_1_place: is not a column of mix; did you mean stream1_place?",
        "sand_temp_k: is not a column of mix; did you mean sand_temp_c?",
        "stream2_mass_tons: is not a column of mix; did you mean stream2_mass_kg?",
    ]


@pytest.mark.parametrize("label", ["streams", "stream0_place", "stream01_place", "stream1000_place", "sample", "At"])
def test_names_that_only_look_like_columns_are_refused(label: str) -> None:
    """A whole list is no column, numbers begin at 1, capital letters count."""
    assert f"{label}: is not a column" in problems("mix", [label])[0]


def test_a_column_twice_is_refused() -> None:
    """Two columns of one name cannot both be meant."""
    assert problems("hold", ["at", "lot", "lot"]) == ["lot: is there twice; accepted: each column once"]


def test_a_header_without_names_is_refused() -> None:
    """A first line of empty cells names nothing."""
    assert problems("hold", ["", ""])[0].startswith("header: names no column")


def test_decimal_marks_are_point_and_comma() -> None:
    """No other decimal mark is known."""
    with pytest.raises(FieldError, match="is not a decimal mark"):
        flat.reader("hold", ["at"], decimal="'")


# -- rows -------------------------------------------------------------------------------------------------------


def test_a_row_becomes_a_content() -> None:
    """Numerals of numeric columns become numbers, the rest stays text, empty cells are left out."""
    row = {
        "at": "2025-03-01 07:45", "mixer": "m1", "moulds": "101; 102", "shares": "1;2.5", "note": "",
        "sand_temp_f": "68", "stream1_place": "silo", "stream1_mass_t": "0.25", "stream2_place": "",
        "stream2_mass_t": "", "stream3_place": "tank", "stream3_lot": "007", "stream3_mass": "2.5 kg",
    }  # fmt: skip
    assert read("mix", row) == {
        "at": "2025-03-01 07:45", "mixer": "m1", "moulds": ["101", "102"], "shares": [1, Decimal("2.5")],
        "sand_temp_f": 68,
        "streams": [
            {"place": "silo", "mass_t": Decimal("0.25")},
            {"place": "tank", "lot": "007", "mass": "2.5 kg"},
        ],
    }  # fmt: skip


def test_id_and_sender_stand_beside_the_content() -> None:
    """A row's id and sender are told apart from its content."""
    assert flat.reader("hold", ["sender", "lot", "id"]).read(["ida", "L1", "h-1"]) == ({"lot": "L1"}, "h-1", "ida")


def test_named_values_are_numbers_flags_or_words() -> None:
    """`certificate_passed` is yes or no, numerals are numbers, the rest words."""
    row = {"certificate_passed": "TRUE", "certificate_fines_pct": "0.66", "certificate_grade": "F32"}
    assert read("delivery", row) == {"certificate": {"passed": True, "fines_pct": Decimal("0.66"), "grade": "F32"}}


def test_named_values_within_a_list_are_maps() -> None:
    """Each entry of the list has its own names and values; a name may have points in it."""
    row = {
        "row1_flows_kg_min_resin": "1.62",
        "row1_flows_kg_min_a.b": "3",
        "row1_serves": "true",
        "row2_sand_temp_c": "7",
    }
    assert read("table_issued", row) == {
        "rows": [{"flows_kg_min": {"resin": Decimal("1.62"), "a.b": 3}, "serves": True}, {"sand_temp_c": 7}]
    }


@pytest.mark.parametrize(("cell", "decimal"), [("0,66", "."), ("0.66", ",")])
def test_named_values_with_the_other_decimal_mark_are_refused(cell: str, decimal: str) -> None:
    """A number that is written otherwise does not pass for a word."""
    with pytest.raises(InputErrors, match=r"certificate_fines_pct: .* but the decimal mark here is"):
        read("delivery", {"certificate_fines_pct": cell}, decimal=decimal)


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("24,6", Decimal("24.6")), ("24", 24), ("24,6 t", "24.6 t"), ("-0,5", Decimal("-0.5")), ("1,5e2", Decimal(150)),
        ("0,1234567890123456789", "0.1234567890123456789"),
    ],
)  # fmt: skip
def test_decimal_commas_are_read_exactly(cell: str, expected: Any) -> None:
    """With a decimal comma numerals are taken over digit by digit, texts with a unit get a point."""
    assert read("delivery", {"mass": cell}, decimal=",") == {"mass": expected}


@pytest.mark.parametrize("cell", ["24.6", "24.6 t", "1.000,5"])
def test_points_in_a_decimal_comma_file_are_refused(cell: str) -> None:
    """A point in such a file may be a thousands separator: nothing is guessed."""
    with pytest.raises(InputErrors, match=r"mass_t: .*(decimal mark here is ','|thousands separators)"):
        read("delivery", {"mass_t": cell}, decimal=",")


def test_text_columns_keep_their_commas() -> None:
    """A decimal comma changes numeric columns only."""
    assert read("hold", {"reason": "wet, 4,5 %", "lot": "7,5"}, decimal=",") == {"reason": "wet, 4,5 %", "lot": "7,5"}


@pytest.mark.parametrize(
    ("header", "row", "expected"),
    [
        (["at", "lot"], ["x"], "line: has 1 cells under 2 columns"),
        (["at", "lot"], ["x", "y", "z"], "line: has 3 cells under 2 columns"),
        (["at", ""], ["x", "y"], "column 2: 'y' stands in a column without a name"),
        (["at", "moulds"], ["x", "1;;2"], "moulds: '1;;2' has an empty entry"),
    ],
)
def test_rows_that_do_not_fit_are_refused(header: list[str], row: list[str], expected: str) -> None:
    """Too few cells, too many, cells under no name, and lists with holes are told."""
    with pytest.raises(InputErrors) as caught:
        flat.reader("pour" if "moulds" in header else "hold", header).read(row)
    assert str(caught.value.problems[0]).startswith(expected)


# -- errors by column -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "path", "column"),
    [
        ("mix", "streams[1].mass_kg", "stream2_mass_kg"), ("mix", "streams[0].mass_measure", "stream1_mass_measure"),
        ("mix", "patterns[1]", "patterns"), ("mix", "streams", "stream1_place, stream1_mass_kg"),
        ("sand_test", "readings.pan", "readings_pan"), ("sand_test", "readings", "readings_NAME"),
        ("sand_test", "sample.place", "sample_place"), ("reversal", "of", "of_sender, of_id"), ("mix", "at", "at"),
        ("mix", "mass_t", "mass_t"), ("mix", "a b", "a b"),
        ("table_issued", "rows[1].pump_settings.resin", "row2_pump_settings_resin"),
    ],
)  # fmt: skip
def test_paths_are_told_as_columns(kind: str, path: str, column: str) -> None:
    """Where a field lies in the content is told as the column that a person filled in."""
    assert flat.column_of(kind, path) == column


def test_errors_name_the_column_and_the_cell() -> None:
    """An error in a list's second entry names the column it came from, though a column before it was empty."""
    header = ["at", "stream1_place", "stream1_mass_kg", "stream2_place", "stream4_place", "stream4_mass_kg"]
    cells = ["2025-03-01 07:45", "silo", "5,5", "", "tank", "2,5 x"]
    reader = flat.reader("mix", header)
    content, _, _ = reader.read(cells)
    _, found = kind_named("mix")().check(content)
    told = {located.field: located.value for located in (reader.located(problem, cells) for problem in found)}
    assert told["stream1_mass_kg"] == "5,5"
    assert told["stream4_mass_kg"] == "2,5 x"


# -- there and back ---------------------------------------------------------------------------------------------

PRINTABLE = st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp"])
WORDS = st.text(PRINTABLE, min_size=1, max_size=12)
NUMBERS = st.integers(-(10**12), 10**12) | st.decimals(-10000, 10000, places=4) | st.floats(-1e9, 1e9)


def _is_word(text: str) -> bool:
    """A named value's word must not read as a number or a flag: in a file the two look the same."""
    return not text[0].isdigit() and text[0] not in "+-.," and text.lower() not in ("true", "false")


def values_of(field: f.Field) -> st.SearchStrategy[Any]:
    if isinstance(field, Rows):
        return st.lists(contents(field.schema, least=1), min_size=1, max_size=4)
    if isinstance(field, Part):
        return contents(field.schema, least=1)
    if isinstance(field, Values):
        names = st.from_regex(r"[A-Za-z0-9_.]{1,12}", fullmatch=True)
        return st.dictionaries(names, NUMBERS | st.booleans() | WORDS.filter(_is_word), min_size=1, max_size=4)
    if isinstance(field, Items):
        item = NUMBERS if field.item.numeric else WORDS.filter(lambda text: ";" not in text)
        return st.lists(item, min_size=1, max_size=4)
    if isinstance(field, f.Flag):
        return st.booleans()
    return NUMBERS if field.numeric else WORDS


def contents(form: Any, least: int = 0) -> st.SearchStrategy[dict[str, Any]]:
    declared = {name: values_of(field) for name, field in form.declared().items()}
    whole = st.fixed_dictionaries({}, optional=declared)
    return whole.filter(lambda content: len(content) >= least) if least else whole


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(list(KINDS)).flatmap(lambda kind: st.tuples(st.just(kind), contents(kind_named(kind)()))))
def test_contents_survive_the_flat_form(sent: tuple[str, dict[str, Any]]) -> None:
    """A content written as a line of CSV and read again is the same content as sent."""
    kind, content = sent
    row = flat.flatten(kind, content)
    file = io.StringIO(newline="")
    csv.writer(file).writerows([list(row), list(row.values())])
    header, cells = list(csv.reader(io.StringIO(file.getvalue(), newline=""), strict=True))
    if content:
        assert canonical(flat.reader(kind, header).read(cells)[0]) == canonical(content)


def test_flattening_leaves_empty_fields_out() -> None:
    """What is None was not sent."""
    content = {"at": "2025-03-01 07:45", "note": None, "sample": {"place": "silo", "lot": None}}
    assert flat.flatten("sand_test", content) == {"at": "2025-03-01 07:45", "sample_place": "silo"}


def test_flattening_refuses_fields_that_do_not_exist() -> None:
    """A content of another kind is not written as if it were this one."""
    with pytest.raises(FieldError, match="mixr: is not a column of mix; did you mean mixer"):
        flat.flatten("mix", {"mixr": "m1"})
