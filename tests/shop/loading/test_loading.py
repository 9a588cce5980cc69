"""Loading files: what loading twice does, forms of files, folders, what is kept when a line is bad or others write."""

from __future__ import annotations

import errno
import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook

from sandtrack.errors import InputErrors, LoadRefused, ShopFileError
from sandtrack.ledger import Ledger
from sandtrack.shop.loading import LoadResult, load, open_folder

PLANT = Path(__file__).parent / "plant.toml"
DELIVERY = "id,sender,at,place,mass_kg\n"
Put = Callable[..., str]
Told = Callable[..., list[str]]
GOOD = DELIVERY + "d1,otto,2025-03-03 08:00,silo,24600\nd2,otto,2025-03-04 08:00,tank_resin,1000\n"


def counts(result: LoadResult) -> tuple[int, int, int, int]:
    return result.lines, result.new, result.known, result.refused


def stock_kg(ledger: Ledger, place: str) -> dict[str, float]:
    """Stock by the movements alone. [kg]"""
    with ledger.store.reading() as connection:
        rows = connection.execute(
            "SELECT material, sum(CASE WHEN target = ?1 THEN mass_mg ELSE -mass_mg END) FROM movement "
            "WHERE source = ?1 OR target = ?1 GROUP BY material",
            (place,),
        )
        return {material: mass / 1e6 for material, mass in rows}


# -- what a load tells and does ---------------------------------------------------------------------------------


def test_a_good_file_is_loaded(ledger: Ledger, put: Put) -> None:
    """Every line becomes a record; the result counts lines, spans their times and names the head of the chain."""
    result = load(ledger, [put("delivery.csv", GOOD)])
    assert counts(result) == (2, 2, 0, 0)
    assert (result.files[0].file, result.files[0].kind) == ("delivery.csv", "delivery")
    # 08:00 in Stockholm in winter is 07:00 UTC
    assert result.first_at == datetime(2025, 3, 3, 7, tzinfo=UTC).timestamp() * 1e6
    assert result.last_at == datetime(2025, 3, 4, 7, tzinfo=UTC).timestamp() * 1e6
    assert result.head == ledger.head()
    assert stock_kg(ledger, "silo") == {"new_sand": 24600}


def test_loading_twice_adds_nothing(ledger: Ledger, put: Put) -> None:
    """The same files again are known, line by line, reversals too."""
    put("in/delivery.csv", GOOD)
    put("in/reversal.csv", "at,by,of_sender,of_id,reason\n2025-03-05 08:00,ida,otto,d2,wrong tank\n")
    assert counts(load(ledger, ["in"])) == (3, 3, 0, 0)
    head = ledger.head()
    assert counts(load(ledger, ["in"])) == (3, 0, 3, 0)
    assert ledger.head() == head
    assert stock_kg(ledger, "tank_resin") == {"resin": 0}


def test_lines_without_id_are_known_by_their_content(ledger: Ledger, put: Put) -> None:
    """A month-to-date export adds only what is new; lines alike are told apart by their ordinal."""
    header, line = "at,by,place,mass_kg\n", "2025-03-03 08:00,otto,silo,1000\n"
    assert counts(load(ledger, [put("delivery.csv", header + 2 * line)])) == (2, 2, 0, 0)
    other = "2025-03-03 09:00,otto,silo,1000\n"
    assert counts(load(ledger, [put("delivery.csv", header + other + 3 * line)])) == (4, 2, 2, 0)
    assert stock_kg(ledger, "silo") == {"new_sand": 4000}


def test_overlapping_exports_loaded_together_count_once(ledger: Ledger, put: Put) -> None:
    """Two files with the same line are two exports of it: together they load as one after the other."""
    text = "at,by,place,mass_kg\n2025-03-03 08:00,otto,silo,1000\n"
    result = load(ledger, [put("delivery_a.csv", text), put("delivery_b.csv", text)])
    assert counts(result) == (2, 1, 1, 0)


@pytest.mark.parametrize(
    ("header", "cells", "given", "expected"),
    [
        ("sender,by", "desk,otto", "clerk", "desk"), ("sender,by", ",otto", "clerk", "clerk"),
        ("sender,by", ",otto", None, "otto"), ("note", "x", "clerk", "clerk"),
    ],
)  # fmt: skip
def test_the_sender_is_the_column_else_the_given_one_else_by(
    ledger: Ledger, header: str, cells: str, given: str | None, expected: str, put: Put
) -> None:
    """Who sent a line is asked of the line first, then of the load, then of who did it."""
    put("delivery.csv", f"at,place,mass_kg,{header}\n2025-03-03 08:00,silo,1000,{cells}\n")
    load(ledger, ["delivery.csv"], sender=given)
    with ledger.store.reading() as connection:
        assert connection.execute("SELECT sender FROM record WHERE seq = 2").fetchone() == (expected,)


def test_progress_is_told(ledger: Ledger, put: Put) -> None:
    """Checking is the first half of the way, writing the second."""
    seen: list[tuple[int, int]] = []
    lines = "".join(f"d{n},otto,2025-03-03 08:00,silo,{n + 1}\n" for n in range(2000))
    load(ledger, [put("delivery.csv", DELIVERY + lines)], progress=lambda done, total: seen.append((done, total)))
    total = 2 * Path("delivery.csv").stat().st_size
    assert seen == sorted(seen)
    assert {0 < done < total / 2 for done, _ in seen} == {True, False}
    assert seen[-1] == (total, total)


# -- forms of files ---------------------------------------------------------------------------------------------


def test_semicolons_and_decimal_commas(ledger: Ledger, put: Put, told: Told) -> None:
    """A file written where the decimal mark is a comma loads exactly; its header says what separates cells."""
    put("delivery.csv", "sender;at;place;mass_t\notto;2025-03-03 08:00;silo;24,6\notto;2025-03-04 08:00;silo;500 kg\n")
    load(ledger, ["delivery.csv"], decimal=",")
    assert stock_kg(ledger, "silo") == {"new_sand": 25100}
    put("delivery.csv", "sender;at;place;mass_t\notto;2025-03-05 08:00;silo;24.6\n")
    assert "mass_t '24.6' has '.', but the decimal mark here is ','" in told("delivery.csv", decimal=",")[0]


def workbook(name: str, **sheets: list[list[Any]]) -> str:
    book = Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(name)
    return name


def test_workbooks_are_read_sheet_by_sheet(ledger: Ledger, put: Put) -> None:
    """Sheets are named by kind; dates, times, numbers and yes/no are read as cells, counts after movements."""
    when = datetime(2025, 3, 3, 8, 0)
    put("delivery.csv", "sender,at,place,mass_kg,lot,made_on\notto,2025-03-03 08:00:00,silo,1000.5,7,2025-03-01\n")
    load(ledger, ["delivery.csv"])
    count = [["sender", "at", "place", "empty", "mass_kg"], ["ida", datetime(2025, 3, 4), "silo", None, 990.25]]
    count.append(["ida", datetime(2025, 3, 4), "store", True, None])
    delivery: list[list[Any]] = [["sender", "at", "place", "mass_kg", "lot", "made_on"], [None], []]
    delivery += [["otto", when, "silo", 1000.5, 7, datetime(2025, 3, 1)], ["otto", when, "silo", 2, 8.0, None, ""]]
    name = workbook("book.xlsx", count=count, delivery_march=delivery, remarks=[["x"]])
    Path("in").mkdir()
    book = _dated(name, "count", "delivery_march")
    result = load(ledger, [book])
    assert [(file.kind, file.lines, file.new, file.known) for file in result.files] == [
        ("delivery", 2, 1, 1), ("count", 2, 2, 0)
    ]  # fmt: skip
    assert result.skipped == ["book.xlsx [remarks]"]
    with ledger.store.reading() as connection:
        # the whole day of 4 March in Stockholm ends at 23:00 UTC
        end = datetime(2025, 3, 4, 23, tzinfo=UTC).timestamp() * 1e6 - 1
        assert connection.execute("SELECT DISTINCT at FROM count").fetchall() == [(end,)]


def _dated(name: str, *titles: str) -> str:
    """Show midnight cells as dates and the others with their time, as Excel does."""
    from openpyxl import load_workbook

    book = load_workbook(name)
    for title in titles:
        for row in book[title].iter_rows():
            for cell in row:
                if isinstance(cell.value, datetime):
                    cell.number_format = "yyyy-mm-dd" if cell.value.hour == 0 else "yyyy-mm-dd hh:mm"
    book.save(name)
    return name


def test_a_workbook_may_be_named_by_its_kind(ledger: Ledger, told: Told) -> None:
    """Where no sheet is named by a kind, the file's name says what its first sheet holds."""
    rows = [["sender", "at", "place", "mass_kg"], ["otto", "2025-03-03 08:00", "silo", "#N/A"]]
    name = workbook("delivery.xlsx", Sheet1=rows)
    assert told(name) == [
        "delivery.xlsx [Sheet1] line 2: mass_kg '#N/A' is the error of a formula; accepted: the value itself"
    ]
    assert "did you mean delivery" in told(workbook("x.xlsx", delivry=rows, count=[]))[0]
    assert "is not named by a kind" in told(workbook("y.xlsx", Sheet1=rows))[0]


# -- folders and set-ups ----------------------------------------------------------------------------------------


def test_a_folder_becomes_a_shop(here: Path, put: Put) -> None:
    """plant.toml makes the shop; the tables follow, counts after movements and reversals last."""
    put("in/plant.toml", PLANT.read_text(encoding="utf-8"))
    put("in/reversal.csv", "sender,of_sender,of_id,reason\nida,otto,d2,typo\n")
    put("in/count_march.csv", "sender,at,place,mass_kg\nida,2025-03-05,silo,24000\n")
    put("in/delivery.csv", GOOD)
    put("in/readme.txt", "nothing to load")
    shop, result = open_folder("in", "new.sandtrack")
    assert [file.kind for file in result.files] == ["plant", "delivery", "count", "reversal"]
    assert counts(result) == (5, 4, 1, 0)
    assert result.skipped == ["in/readme.txt"]
    shop.close()


def test_a_folder_that_is_refused_leaves_no_shop(here: Path, put: Put) -> None:
    """Neither a bad line nor a missing set-up leaves a file behind."""
    put("in/delivery.csv", DELIVERY + "d1,otto,x,silo,1\n")
    with pytest.raises(InputErrors, match=r"plant.toml: is not in in"):
        open_folder("in", "new.sandtrack")
    put("in/plant.toml", PLANT.read_text(encoding="utf-8"))
    with pytest.raises(LoadRefused):
        open_folder("in", "new.sandtrack")
    assert [path.name for path in here.iterdir()] == ["in"]


def test_further_set_ups_are_revisions(ledger: Ledger, put: Put) -> None:
    """A changed set-up is a revision, once; the tables of the same load may use what it adds."""
    text = PLANT.read_text(encoding="utf-8")
    put("in/plant.toml", text)
    later = text.replace("2025-01-01", "2025-03-01") + '\n[places.silo_2]\nkind = "silo"\nmaterial = "new_sand"\n'
    put("in/plant_march.toml", later)
    put("in/delivery.csv", GOOD.replace("silo", "silo_2"))
    assert counts(load(ledger, ["in"])) == (4, 3, 1, 0)
    assert len(ledger.setups().revisions) == 2
    assert counts(load(ledger, ["in"])) == (4, 0, 4, 0)


def test_bad_set_ups_are_told(ledger: Ledger, put: Put, told: Told) -> None:
    """A set-up that cannot be used, or changes the time zone, is refused like a bad line."""
    text = PLANT.read_text(encoding="utf-8")
    assert "is not TOML" in told(put("plant.toml", "[shop"))[0]
    assert told(put("plant.toml", text.replace("Stockholm", "Paris"))) == [
        "plant.toml: shop.time_zone 'Europe/Paris' differs from the one the shop was made with, which is fixed; "
        "accepted: Europe/Stockholm"
    ]


# -- keeping the good -------------------------------------------------------------------------------------------


def test_good_lines_are_kept_and_bad_ones_can_be_corrected(ledger: Ledger, put: Put) -> None:
    """Bad lines go to a file of the same columns with line and reason; corrected, it loads as it is."""
    bad = "d3,otto,2025-03-05 08:00,silo,1000O\nd4,otto,2025-03-05 09:00,silo\n"
    result = load(ledger, [put("delivery.csv", GOOD + bad)], keep_good=True, rejects="bad")
    assert counts(result) == (4, 2, 0, 2)
    assert result.rejects == [Path("bad/delivery.csv")]
    lines = Path("bad/delivery.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "rejected_line,rejected_reason,id,sender,at,place,mass_kg"
    assert lines[1].startswith("4,\"mass_kg '1000O' has the unit 'O'")
    assert lines[2].startswith(
        '5,"has 4 cells under 5 columns, the first column without a cell is mass_kg; accepted: one'
    )
    text = "\n".join(lines).replace(",1000O", ",1000").replace("09:00,silo", "09:00,silo,500")
    put("bad/delivery.csv", text)
    again = load(ledger, ["bad"], keep_good=True, rejects="bad")
    assert counts(again) == (2, 2, 0, 0)
    assert stock_kg(ledger, "silo") == {"new_sand": 26100}


def test_a_bad_header_spoils_its_file_only(ledger: Ledger, put: Put) -> None:
    """With the good kept, a file under a column that does not exist is put aside whole."""
    put("in/delivery.csv", GOOD)
    put("in/hold.csv", "sender,at,lott,reason\nida,2025-03-03 08:00,L1,wet\n")
    result = load(ledger, ["in"], keep_good=True, rejects="bad")
    assert counts(result) == (3, 2, 0, 1)
    assert "lott is not a column of hold" in Path("bad/hold.csv").read_text(encoding="utf-8")


def test_rejects_keep_what_cannot_be_read(ledger: Ledger, put: Put) -> None:
    """Lines in another encoding keep their bytes; sheets become files named by their kind."""
    put("hold.csv", "sender,at,lot,reason\nida,2025-03-03 08:00,L2,nöt\n", "latin-1")
    rows = [["sender", "at", "lot", "reason"], ["ida", "x", "L3", "wet"]]
    load(ledger, ["hold.csv", workbook("hold.xlsx", hold=rows)], keep_good=True, rejects="bad")
    assert b"n\xf6t" in Path("bad/hold.csv").read_bytes()
    assert "ida,x,L3,wet" in Path("bad/hold_hold.csv").read_text(encoding="utf-8")


def test_reversals_of_refused_lines_are_refused(ledger: Ledger, put: Put) -> None:
    """With the good kept, a record that was not accepted cannot be withdrawn."""
    put("in/delivery.csv", DELIVERY + "d1,otto,x,silo,1\n")
    put("in/reversal.csv", "sender,of_sender,of_id,reason\nida,otto,d1,typo\n")
    assert counts(load(ledger, ["in"], keep_good=True)) == (2, 0, 0, 2)


def test_rejects_want_a_folder(ledger: Ledger, put: Put) -> None:
    """A file in the place of the folder of rejects is told before anything is read."""
    with pytest.raises(InputErrors, match=r"rejects: 'bad.csv' cannot be made"):
        load(ledger, [put("delivery.csv", GOOD)], rejects=put("bad.csv", ""))


def test_a_full_disk_is_told(ledger: Ledger, put: Put, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where good lines cannot wait for want of room, nothing is loaded and the message says what to do."""

    def full(*_: Any, **__: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("sandtrack.shop.loading.vetting.pickle.dump", full)
    with pytest.raises(ShopFileError, match=r"cannot take what waits to be written \(No space left on device\)"):
        load(ledger, [put("delivery.csv", GOOD)])
    assert ledger.head().records == 1


PIECES = [
    b'"',
    b",",
    b";",
    b"\n",
    b"\r",
    b"\0",
    b"\xff",
    b"1e999",
    b"-",
    b"nan",
    b"9" * 50,
    b" ",
    b"\xe2\x80\xa8",
    b"true",
]


@pytest.mark.parametrize("seed", range(40))
def test_whatever_bytes_a_file_holds_every_line_is_accounted_for(ledger: Ledger, put: Put, seed: int) -> None:
    """Spoilt files never break the load; what it refuses is in the rejects, and refused again from there."""
    chance = random.Random(seed)
    lines = "".join(f"d{n},otto,2025-03-{n:02d} 08:00,silo,{n}.5\n" for n in range(1, 20))
    spoilt = bytearray((DELIVERY + lines).encode())
    for _ in range(chance.randint(1, 6)):
        start = chance.randrange(len(spoilt))
        spoilt[start : start + chance.randint(0, 5)] = chance.choice(PIECES)
    Path("delivery.csv").write_bytes(spoilt)
    file = load(ledger, ["delivery.csv"], keep_good=True, rejects="bad").files[0]
    assert file.lines == file.new + file.known + file.refused
    assert ledger.head().records == 1 + file.new
    if file.refused:
        with pytest.raises(LoadRefused) as caught:
            load(ledger, ["bad"])
        assert caught.value.result.refused == file.refused


# -- others write meanwhile -------------------------------------------------------------------------------------


def test_a_conflict_that_appears_meanwhile_is_told_and_the_rest_kept(ledger: Ledger, put: Put) -> None:
    """What another program writes between check and writing is told of its line; the other lines are loaded."""
    other = Ledger.open(ledger.store.path)
    content = {"at": "2025-03-03 08:00", "place": "silo", "mass_kg": 7}

    def meddle(done: int, total: int) -> None:
        if done < total:
            other.append(other.entry("delivery", content, sender="otto", record_id="d1"))

    result = load(ledger, [put("delivery.csv", GOOD)], rejects="bad", progress=meddle)
    other.close()
    assert counts(result) == (2, 1, 0, 1)
    assert str(result.problems[0]).startswith("delivery.csv line 2: meanwhile: otto has already sent a record")
    assert "d1,otto" in Path("bad/delivery.csv").read_text(encoding="utf-8")
    assert stock_kg(ledger, "silo") == {"new_sand": 7}


def test_lines_that_appear_meanwhile_are_known(ledger: Ledger, put: Put) -> None:
    """The same line written by another program meanwhile is no conflict."""
    other = Ledger.open(ledger.store.path)
    put("copy/delivery.csv", GOOD)

    def meddle(done: int, total: int) -> None:
        if done < total:
            load(other, ["copy"])

    result = load(ledger, [put("delivery.csv", GOOD)], progress=meddle)
    other.close()
    assert counts(result) == (2, 0, 2, 0)


def test_portions_are_transactions(ledger: Ledger, monkeypatch: pytest.MonkeyPatch, put: Put) -> None:
    """Lines are written in portions of so many movements, each of them a transaction."""
    monkeypatch.setattr("sandtrack.shop.loading.vetting.MOVEMENTS_AT_ONCE", 10)
    sizes: list[int] = []
    append: Callable[[Any], Any] = ledger.append_all

    def spy(entries: Any) -> Any:
        listed = list(entries)
        sizes.append(len(listed))
        return append(listed)

    monkeypatch.setattr(ledger, "append_all", spy)
    lines = "".join(f"d{n},otto,2025-03-03 08:00,silo,{n + 1}\n" for n in range(25))
    assert load(ledger, [put("delivery.csv", DELIVERY + lines)]).new == 25
    assert sizes == [10, 10, 5]
