"""Generated files and JSON, each of a class with a verdict written by hand: these values exactly, or this refusal."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import pytest
from openpyxl import Workbook
from sandtrack_api.access import Bearer
from sandtrack_api.portions import answers, lines
from sandtrack_api.tokens import Tokens

from sandtrack.shop import Shop
from sandtrack.shop.loading import load

PLANT = Path(__file__).parent / "plant.toml"
AT = "2025-03-03 08:00"
LONG, SHORT = 500, 80


class Mass(NamedTuple):
    """Accepted, with this mass and lot."""

    mass_kg: Decimal
    lot: str = "L"


class No(NamedTuple):
    """Refused, with this code of this column."""

    code: str
    column: str = ""


class Table(NamedTuple):
    """A file of one line that is judged; `good` lines after it must be read whatever becomes of it."""

    content: bytes
    decimal: str | None = None
    suffix: str = "csv"
    good: int = 1


Verdict = Mass | No
Made = tuple[Table | bytes, Verdict]
CLASSES: list[Callable[[Random], Made]] = []


def of_class(make: Callable[[Random], Made]) -> Callable[[Random], Made]:
    CLASSES.append(make)
    return make


def csv(mass: str, lot: str | bytes = "L", *, mark: str = ",", decimal: str | None = None) -> Table:
    """A delivery of a mass and lot, and a good one of 1 kg after it."""
    head = mark.join(["at", "place", "mass_kg", "lot"])
    cell = lot if isinstance(lot, bytes) else lot.encode()
    line = mark.join([AT, "silo", mass, ""]).encode() + cell
    good = mark.join([AT, "silo", "1", "GOOD"]).encode()
    return Table(b"\n".join([head.encode(), line, good, b""]), decimal)


def sheet(mass: Any, code: str = "General", lot: Any = "L", lot_code: str = "General") -> Table:
    made = Workbook()
    page = made.active
    page.title = "delivery"
    for row in (
        ["at", "place", "mass_kg", "lot"],
        [AT, "silo", mass, lot],
        [AT, "silo", 1, "GOOD"],
    ):
        page.append(row)
    page["C2"].number_format, page["D2"].number_format = code, lot_code
    made.save("made.xlsx")
    return Table(Path("made.xlsx").read_bytes(), suffix="xlsx")


def sent(mass: str, **more: str) -> bytes:
    """A delivery as one line of an upload; `mass` is JSON text."""
    members = {"kind": '"delivery"', "at": f'"{AT}"', "place": '"silo"', "mass_kg": mass, "lot": '"L"', **more}
    return ("{" + ",".join(f'"{name}":{value}' for name, value in members.items()) + "}").encode()


def digits(chance: Random, least: int, most: int, first: str = "123456789") -> str:
    count = chance.randint(least, most)
    return chance.choice(first) + "".join(chance.choice("0123456789") for _ in range(count - 1))


# -- CSV: each class and its verdict -------------------------------------------------------------------------------


@of_class
def whole(chance: Random) -> Made:
    text = digits(chance, 1, 5)
    return csv(text, mark=chance.choice(",;\t")), Mass(Decimal(text))


@of_class
def point_in_comma_file(chance: Random) -> Made:
    text = f"{digits(chance, 1, 5)}.{digits(chance, 1, 6, '0123456789')}"
    return csv(text), Mass(Decimal(text))


@of_class
def three_digits_where_the_mark_is_unknown(chance: Random) -> Made:
    text = f"{digits(chance, 1, 3)}.{digits(chance, 3, 3, '0123456789')}{chance.choice(['', ' kg', ' t', ' lb'])}"
    return csv(text, mark=chance.choice(";\t")), No("ambiguous_number", "mass_kg")


@of_class
def three_digits_where_the_mark_is_stated(chance: Random) -> Made:
    decimal = chance.choice(".,")
    text = f"{digits(chance, 1, 3)}.{digits(chance, 3, 3, '0123456789')}"
    return csv(text.replace(".", decimal), mark=";", decimal=decimal), Mass(Decimal(text))


@of_class
def one_or_two_digits_where_the_mark_is_unknown(chance: Random) -> Made:
    text = f"{digits(chance, 1, 3)}.{digits(chance, 1, 2, '0123456789')}"
    return csv(text, mark=";"), Mass(Decimal(text))


@of_class
def leading_nought(chance: Random) -> Made:
    text = f"0.{digits(chance, 3, 3)}"
    return csv(text, mark=";"), Mass(Decimal(text))


@of_class
def decimal_comma_in_comma_file(chance: Random) -> Made:
    return csv(f"{digits(chance, 1, 3)},{digits(chance, 1, 3, '0123456789')}"), No("ragged")


@of_class
def decimal_comma_in_quotation_marks(chance: Random) -> Made:
    return csv(f'"{digits(chance, 1, 3)},{digits(chance, 1, 3, "0123456789")}"'), No("bad_value", "mass_kg")


@of_class
def marks_of_thousands(chance: Random) -> Made:
    sign = chance.choice(["\u00a0", " ", "'", "’", ".", "_"])
    three = digits(chance, 3, 3, "0123456789")
    return csv(f"{digits(chance, 1, 3)}{sign}{three}{sign}{three}"), No("bad_value", "mass_kg")


@of_class
def units_of_the_list(chance: Random) -> Made:
    # kilograms in each unit: 1 lb = 0.45359237 kg, 1 short ton = 2000 lb, 1 long ton = 2240 lb, exactly (NIST SP 811)
    unit, factor = chance.choice([("kg", "1"), ("t", "1000"), ("g", "0.001"), ("lb", "0.45359237"),
                                  ("short tons", "907.18474"), ("long ton", "1016.0469088")])  # fmt: skip
    whole_number = digits(chance, 1, 3)
    return csv(f"{whole_number}{chance.choice(['', ' '])}{unit}"), Mass(Decimal(whole_number) * Decimal(factor))


@of_class
def units_with_two_meanings_or_none(chance: Random) -> Made:
    unit = chance.choice(["tons", "ton", "T", "K", "m3", "°C", "kgs?", "stone", "€"])
    return csv(f"{digits(chance, 1, 3)} {unit}"), No("bad_value", "mass_kg")


@of_class
def no_numbers(chance: Random) -> Made:
    text = chance.choice(
        ["nan", "inf", "-5", "0", "1e999", "0x10", "1/2", "=1+1", "５", "24-26", "~24", "1e", "++1", "x"]
    )
    return csv(text), No("bad_value", "mass_kg")


@of_class
def mark_left_alone(chance: Random) -> Made:
    return csv(digits(chance, 1, 4), chance.choice(['"', '"L', '"L, x'])), No("open_quote")


@of_class
def text_after_a_mark(chance: Random) -> Made:
    return csv(digits(chance, 1, 4), f'"L" {digits(chance, 1, 3)}'), No("bad_quote")


@of_class
def ragged(chance: Random) -> Made:
    table = csv(digits(chance, 1, 4), chance.choice(["L,M", "L,,", "L,M,N"]))
    return table, No("ragged")


@of_class
def names_in_quotation_marks(chance: Random) -> Made:
    number = digits(chance, 1, 3)
    return csv("5", f'"L ""{number}"", {number}"'), Mass(Decimal(5), f'L "{number}", {number}')


@of_class
def names_with_leading_zeros(chance: Random) -> Made:
    lot = "00" + digits(chance, 1, 4)
    return csv("5", lot), Mass(Decimal(5), lot)


@of_class
def other_encodings(chance: Random) -> Made:
    letter = chance.choice("äöüéñåØ").encode("latin-1")
    return csv("5", b"L" + letter + b"x"), No("not_utf8", "lot")


@of_class
def zero_bytes(chance: Random) -> Made:
    return csv("5", b"L\0" + digits(chance, 1, 3).encode()), No("zero_byte", "lot")


@of_class
def lost_letters(chance: Random) -> Made:
    return csv("5", f"L\ufffd{chance.randint(1, 9)}"), No("lost_letter", "lot")


@of_class
def failed_formulas(chance: Random) -> Made:
    return csv("5", chance.choice(["#N/A", "#REF!", "#DIV/0!", "#NAME?", "#VALUE!", "#WERT!", "Err:502", "####"])), No(
        "error_value", "lot"
    )


# -- sheets ----------------------------------------------------------------------------------------------------------


@of_class
def number_cells(chance: Random) -> Made:
    text = f"{digits(chance, 1, 4)}.{digits(chance, 1, 5, '0123456789')}"
    return sheet(float(text), chance.choice(["General", "0", "0.0", "#,##0.00", "00000"])), Mass(Decimal(text))


@of_class
def number_cells_that_show_a_unit(chance: Random) -> Made:
    number = digits(chance, 1, 4)
    unit, factor = chance.choice([("kg", "1"), ("t", "1000"), ("lb", "0.45359237")])
    code = chance.choice(['0" {}"', '#,##0" {}"', '0.0"{}"']).format(unit)
    if unit == "t" and len(number) > 3:
        return sheet(int(number), code), No("bad_value", "mass_kg")  # above the 1000 t that one record may say
    return sheet(int(number), code), Mass(Decimal(number) * Decimal(factor))


@of_class
def number_cells_shown_otherwise(chance: Random) -> Made:
    code = chance.choice(["#,##0,", '0.0,"t"', ";;;", "00-000", '"$"0', '"x"', "[>5]0;0.0"])
    return sheet(int(digits(chance, 5, 5)), code), No("not_shown_alike", "mass_kg")


@of_class
def percent_in_a_mass(chance: Random) -> Made:
    return sheet(chance.random(), chance.choice(["0%", "0.0 %"])), No("bad_value", "mass_kg")


@of_class
def text_cells(chance: Random) -> Made:
    mark = chance.choice(".,")
    text = f"{digits(chance, 1, 3)}{mark}{digits(chance, 3, 3, '0123456789')}"
    return sheet(text, "@"), No("ambiguous_number", "mass_kg")


@of_class
def formulas_without_a_value(chance: Random) -> Made:
    return sheet(f"={digits(chance, 1, 3)}*2"), No("no_value", "mass_kg")


@of_class
def padded_names(chance: Random) -> Made:
    number, width = chance.randint(1, 99_999), chance.randint(5, 8)
    return sheet(5, lot=number, lot_code="0" * width), Mass(Decimal(5), str(number).zfill(width))


@of_class
def names_that_became_dates(chance: Random) -> Made:
    when = datetime(2025, chance.randint(1, 12), chance.randint(1, 28))
    return sheet(5, lot=when, lot_code=chance.choice(["dd.mm.yyyy", "d-mmm", "mm-dd-yy"])), No("not_wanted", "lot")


@of_class
def names_shown_otherwise(chance: Random) -> Made:
    code = chance.choice(["0.00E+00", "#,##0", "0.00", "0%", "000-000", "# ?/?"])
    return sheet(5, lot=chance.randint(1000, 99_999), lot_code=code), No("not_shown_alike", "lot")


@of_class
def cut_off(chance: Random) -> Made:
    whole_file = sheet(5).content
    return Table(whole_file[: chance.randint(1, len(whole_file) - 30)], suffix="xlsx", good=0), No("damaged")


@of_class
def sheet_of_any_xml(chance: Random) -> Made:
    sheet(5)
    with zipfile.ZipFile("made.xlsx") as before:
        parts = {part: before.read(part) for part in before.namelist()}
    name = "xl/worksheets/sheet1.xml"
    text = parts[name]
    place = text.index(b"<row") + chance.randrange(40)
    parts[name] = text[:place] + chance.choice([b"<", b"&", b"\0", b"</row></row>"]) + text[place:]
    with zipfile.ZipFile("made.xlsx", "w") as after:
        for part, content in parts.items():
            after.writestr(part, content)
    return Table(Path("made.xlsx").read_bytes(), suffix="xlsx", good=0), No("damaged")


# -- JSON ------------------------------------------------------------------------------------------------------------


@of_class
def json_numbers(chance: Random) -> Made:
    text = f"{digits(chance, 1, 3)}.{digits(chance, 1, 6, '0123456789')}"
    return sent(text), Mass(Decimal(text))


@of_class
def json_texts_with_a_unit(chance: Random) -> Made:
    number = digits(chance, 1, 3)
    return sent(f'"{number} lb"'), Mass(Decimal(number) * Decimal("0.45359237"))


@of_class
def json_that_is_no_mass(chance: Random) -> Made:
    return sent(
        chance.choice(["true", "[]", "{}", '""', '"x"', "-1", "0", '"1,000"', '"24,6"', "1e14", '"5 tons"'])
    ), No("bad_input")


@of_class
def json_beyond_measure(chance: Random) -> Made:
    return sent(chance.choice(["NaN", "Infinity", "-Infinity", "1e99999999999999999999", "9" * 5000])), No("bad_json")


@of_class
def json_names_twice(chance: Random) -> Made:
    return sent(f'{digits(chance, 1, 3)},"mass_kg":{digits(chance, 1, 3)}'), No("bad_json")


@of_class
def json_cut_off(chance: Random) -> Made:
    whole_text = sent(digits(chance, 1, 3))
    return whole_text[: chance.randint(1, len(whole_text) - 1)], No("bad_json")


@of_class
def json_in_other_encodings(chance: Random) -> Made:
    text = sent("5", note='"nöt"').decode()
    return text.encode(chance.choice(["latin-1", "cp1252", "mac-roman"])), No("bad_json")


@of_class
def json_without_end(chance: Random) -> Made:
    depth = chance.randint(5_000, 50_000)
    return chance.choice([b"[", b'{"a":']) * depth, No("bad_json")


@of_class
def json_of_any_bytes(chance: Random) -> Made:
    return b"\x01" + bytes(byte for byte in chance.randbytes(chance.randint(1, 60)) if byte != 10), No("bad_json")


# -- judging ---------------------------------------------------------------------------------------------------------


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.chdir(tmp_path)
    with Shop.create(tmp_path / "shop.sandtrack", PLANT, sender="ida") as made:
        yield made


def of_file(shop: Shop, table: Table, number: int) -> Verdict:
    """What a load makes of a file."""
    name = f"delivery_{number}.{table.suffix}"
    Path(name).write_bytes(table.content)
    # Each file has a sender of its own, so that no line is known from the file before.
    result = load(shop.ledger, [name], sender=f"sender_{number}", decimal=table.decimal, keep_good=True)
    assert sum(file.new + file.known for file in result.files) == table.good + (not result.problems)
    if result.problems:
        assert all(problem.line == 2 for problem in result.problems if table.good), result.problems
        return No(result.problems[0].code, result.problems[0].column)
    return booked(shop)


def of_upload(shop: Shop, raw: bytes, number: int) -> Verdict:
    """What the service makes of a line of an upload."""
    tokens = Tokens.beside(shop.ledger.store.path)
    bearer = Bearer(tokens.make(role="manager", name=f"sender_{number}")[0], tokens)
    (answer,) = [json.loads(line) for line in b"".join(answers(shop, bearer, lines(_Stream(raw)))).splitlines()]
    return booked(shop) if answer["outcome"] == "new" else No(answer["problem"]["code"])


class _Stream:
    def __init__(self, raw: bytes) -> None:
        self.raw = raw

    def read(self, size: int, /) -> bytes:
        part, self.raw = self.raw[:size], self.raw[size:]
        return part


def booked(shop: Shop) -> Mass:
    """The last delivery but the good one that stands after each, as it was booked."""
    with shop.ledger.store.reading() as connection:
        mass_mg, lot = connection.execute(
            "SELECT m.mass_mg, r.content ->> 'lot' FROM movement m JOIN record r ON r.seq = m.record "
            "WHERE r.content ->> 'lot' <> 'GOOD' ORDER BY r.seq DESC LIMIT 1"
        ).fetchone()
    return Mass(Decimal(mass_mg) / 1_000_000, lot)


def judge(shop: Shop, numbers: range) -> None:
    for number in numbers:
        make = CLASSES[number % len(CLASSES)]
        made, verdict = make(Random(number))
        where = f"{make.__name__}, input {number}: {made!r}"
        if isinstance(verdict, Mass):  # masses are kept as whole milligrams
            verdict = verdict._replace(mass_kg=round(verdict.mass_kg, 6))
        found = of_file(shop, made, number) if isinstance(made, Table) else of_upload(shop, made, number)
        assert found == verdict, where
    assert not list(shop.verify())


def test_generated_inputs_get_their_verdicts(shop: Shop) -> None:
    """Two inputs of each class: exactly these values, or exactly this refusal; the good line after it is read."""
    judge(shop, range(SHORT))


@pytest.mark.soak
def test_five_hundred_generated_inputs_get_their_verdicts(shop: Shop) -> None:
    """The long form."""
    judge(shop, range(SHORT, SHORT + LONG))


@pytest.mark.soak
def test_any_bytes_end_in_words(shop: Shop) -> None:
    """Bytes flipped, cut and put in, in a CSV file, a workbook and a set-up: never anything but a verdict."""
    chance = Random(7)
    originals = {
        "delivery.csv": csv("5").content, "delivery.xlsx": sheet(5).content, "plant.toml": PLANT.read_bytes()
    }  # fmt: skip
    for _ in range(300):
        name = chance.choice(list(originals))
        spoilt = bytearray(originals[name])
        for _ in range(chance.randint(1, 8)):
            place = chance.randrange(len(spoilt))
            spoilt[place : place + chance.randint(0, 9)] = chance.randbytes(chance.randint(0, 9))
        Path(name).write_bytes(spoilt)
        load(shop.ledger, [name], keep_good=True)
