"""What a strict load refuses, and the words that it is told in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from sandtrack.errors import LoadRefused
from sandtrack.ledger import Ledger
from sandtrack.shop import loading
from sandtrack.shop.loading import load

DELIVERY = "id,sender,at,place,mass_kg\n"
MIX = "id,sender,at,mixer,binder_system,moulds,stream1_place,stream1_mass_kg,stream2_place,stream2_mass_kg\n"
GOOD = DELIVERY + "d1,otto,2025-03-03 08:00,silo,24600\nd2,otto,2025-03-04 08:00,tank_resin,1000\n"
Put = Callable[..., str]
Told = Callable[..., list[str]]

MESSAGES: list[tuple[str, str, list[str]]] = [
    (
        "delivery.csv",
        "id,sender,at,place,mass_kgs\nd1,otto,2025-03-03 08:00,silo,1\n",
        ["delivery.csv line 1: mass_kgs is not a column of delivery; did you mean mass_kg?"],
    ),
    ("delivery.csv", "", ["delivery.csv: is empty; accepted: a header"]),
    (
        "delivery.csv",
        DELIVERY + "d1,otto,2025-03-03 08:00,silo,24 tons\n\nd2,otto,2025-03-03,silo,5\n",
        [
            "delivery.csv line 2: mass_kg '24 tons' has the unit 'tons', which has three meanings: tonne (1000 kg), "
            "short ton (907.18474 kg), long ton (1016.0469088 kg); accepted: kg, g, t, lb, oz, short ton, long ton",
            "delivery.csv line 4: at '2025-03-03' is a date without a time; accepted: a time as "
            "2025-03-01T07:45:00+01:00, or 2025-03-01 07:45 in the shop's own time",
        ],
    ),
    (
        "delivery.csv",
        DELIVERY + "d1,otto,2025-03-30 02:30,silo,1\n",
        [
            "delivery.csv line 2: at '2025-03-30 02:30' does not exist in the shop's time zone (clocks go forward); "
            "add the offset; accepted: a time as 2025-03-01T07:45:00+01:00, or 2025-03-01 07:45 in the shop's own time"
        ],
    ),
    (
        "delivery.csv",
        "id,at,place,mass_kg\nd1,2025-03-03 08:00,silo,1\n",
        ["delivery.csv line 2: sender is missing; accepted: a column sender or by, or one sender for the whole load"],
    ),
    (
        "delivery.csv",
        DELIVERY + "d1,otto,2025-03-03 08:00,silo_9,1\nd2,otto,2025-03-03 08:00,store,1\n",
        [
            "delivery.csv line 2: place 'silo_9' is not among the places; did you mean silo? "
            "Known are heap, silo, store, tank_acid, tank_resin",
            "delivery.csv line 3: material is missing: store has no material of its own in the set-up; "
            "accepted: the key of a material",
        ],
    ),
    (
        "mix.csv",
        MIX + "x1,m1,2025-03-03 08:00,m1,furan,1;2,,,tank_9,1\nx2,m1,2025-03-03 08:00,m1,furan,,silo,-1,,\n",
        [
            "mix.csv line 2: stream2_place 'tank_9' is not among the places; did you mean tank_acid? "
            "Known are heap, silo, store, tank_acid, tank_resin",
            "mix.csv line 3: stream1_mass_kg '-1' is negative, which no mass can be; accepted: 0 or more",
        ],
    ),
    (
        "delivery.csv",
        DELIVERY + 'd1,otto,"2025-03-03\n08:00",silo,1\nd2,otto,2025-03-03 08:00,silo\n'
        "d3,otto,2025-03-03 08:00,silo,1,,\n",
        [
            "delivery.csv line 2: opens a quotation mark that is not closed in its line; accepted: the value itself "
            "instead of a ditto mark; --line-breaks, where texts go over several lines",
            "delivery.csv line 3: has 3 cells under 5 columns, the first column without a cell is place; "
            "accepted: one cell a column; a text with a separator in it stands in quotation marks",
            "delivery.csv line 4: has 4 cells under 5 columns, the first column without a cell is mass_kg; "
            "accepted: one cell a column; a text with a separator in it stands in quotation marks",
            "delivery.csv line 5: has 7 cells under 5 columns, the first without a column is cell 6, ''; "
            "accepted: one cell a column; a text with a separator in it stands in quotation marks",
        ],
    ),
    (
        "delivery.csv",
        DELIVERY + 'd1,otto,2025-03-03 08:00,silo,1\0\nd2,"otto" x,2025-03-03 08:00,silo,1\nd3,"otto,,,1\n',
        [
            "delivery.csv line 2: mass_kg holds a zero byte, which no text has; accepted: the text without it",
            "delivery.csv line 3: has text after a closing quotation mark; "
            "accepted: a quotation mark inside a text written twice",
            "delivery.csv line 4: opens a quotation mark that is not closed in its line; accepted: the value itself "
            "instead of a ditto mark; --line-breaks, where texts go over several lines",
        ],
    ),
    (
        "delivery.csv",
        GOOD + "d1,otto,2025-03-03 08:00,silo,24601\n",
        [
            "delivery.csv line 4: id 'd1' of sender 'otto' stands on delivery.csv line 2 too, with other content; "
            "accepted: a new id, or a reversal of the first one if that was the mistake"
        ],
    ),
    (
        "reversal.csv",
        "sender,of_sender,of_id,reason\nida,otto,d7,typo\n",
        [
            "reversal.csv line 2: of_id 'd7' of sender 'otto' is neither in the ledger nor among the good lines before "
            "this one; accepted: the sender and id of a record that was sent"
        ],
    ),
    (
        "reversal.csv",
        "sender,of_sender,of_id,reason\nida,ida,first,typo\n",
        ["reversal.csv line 2: of_id 'first' is the only set-up in force; accepted: a new revision instead"],
    ),
    (
        "delivry.csv",
        GOOD,
        ["delivry.csv: is not named by a kind of record; did you mean delivery?"],
    ),
    ("delivery.xls", "", ["delivery.xls: is in Excel's old format; accepted: save it as .xlsx or as CSV in UTF-8"]),
    (
        "delivery.xlsx",
        "no zip",
        ["delivery.xlsx: is not a workbook (.xlsx), or not all of one; accepted: a workbook that opens"],
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "text", "expected"), MESSAGES)
def test_problems_as_they_are_read(
    ledger: Ledger, name: str, text: str, expected: list[str], put: Put, told: Told
) -> None:
    """Every problem names file, line, column, value and reason; none is held back by another."""
    assert told(put(name, text)) == expected


def test_other_encodings_are_refused_line_by_line(ledger: Ledger, put: Put, told: Told) -> None:
    """A byte that is not UTF-8 spoils its own line; a file in UTF-16 is told as such."""
    text = "sender,at,lot,reason\nida,2025-03-03 08:00,L1,ok\nida,2025-03-03 08:00,L2,nöt\n"
    assert told(put("hold.csv", text, "latin-1")) == [
        "hold.csv line 3: reason is not UTF-8 (byte 0xf6); accepted: save the table as CSV in UTF-8"
    ]
    assert told(put("hold.csv", text, "utf-16")) == [
        "hold.csv: is written in UTF-16; accepted: save the table as CSV in UTF-8"
    ]  # fmt: skip
    for without_mark in ("utf-16-le", "utf-16-be"):
        assert "is written in UTF-16" in told(put("hold.csv", text, without_mark))[0]
    assert load(ledger, [put("hold.csv", text, "utf-8-sig")]).new == 2


def test_all_files_are_checked_before_any_is_loaded(ledger: Ledger, put: Put, told: Told) -> None:
    """One bad line in the last file keeps all others out, and every file's problems are told."""
    put("in/delivery.csv", GOOD)
    put("in/level.csv", "sender,at,place,level_m\nida,2025-03-03 08:00,silo,x\n")
    put("in/hold.csv", "sender,at,place,reason\nida,2025-03-03 08:00,silo_x,wet\n")
    problems = told("in")
    assert [problem.split(":")[0] for problem in problems] == ["in/level.csv line 2", "in/hold.csv line 2"]


def test_conflicts_with_the_ledger_are_found_first(ledger: Ledger, put: Put, told: Told) -> None:
    """An id that the sender has used for another content is told before anything is written."""
    load(ledger, [put("delivery.csv", GOOD)])
    changed = GOOD.replace("24600", "24601") + "d3,otto,2025-03-05 08:00,silo,1\n"
    assert told(put("delivery.csv", changed)) == [
        "delivery.csv line 2: id 'd1' of sender 'otto' is in the ledger with other content; "
        "accepted: a new id, or a reversal of the first one if that was the mistake"
    ]


def test_reversals_are_checked(ledger: Ledger, put: Put, told: Told) -> None:
    """A record is reversed once, whether that was before or is in the same load; a reversal never is."""
    head = "id,sender,of_sender,of_id,reason\n"
    load(ledger, [put("delivery.csv", GOOD), put("reversal.csv", head + "r1,ida,otto,d1,typo\n")])
    again = head + "r2,ida,otto,d1,typo\nr3,ida,otto,d2,typo\nr4,ida,otto,d2,typo\nr5,ida,ida,r1,typo\n"
    assert told(put("reversal.csv", again)) == [
        "reversal.csv line 2: of_id 'd1' is reversed already; accepted: one reversal for a record",
        "reversal.csv line 4: of_id 'd2' is reversed on reversal.csv line 3 already; "
        "accepted: one reversal for a record",
        "reversal.csv line 5: of_id 'r1' is a reversal, which cannot be reversed; "
        "accepted: send the withdrawn record again under a new id",
    ]


def test_thousands_of_problems_are_counted(ledger: Ledger, monkeypatch: pytest.MonkeyPatch, put: Put) -> None:
    """Beyond a thousand, problems are counted only; a file of rejects holds every line all the same."""
    put("delivery.csv", DELIVERY + "d,otto,2025-03-03 08:00,silo,x\n" * 1500)
    with pytest.raises(LoadRefused, match=r"1500 problems(.|\n)*… and 1480 more") as caught:
        load(ledger, ["delivery.csv"], rejects="bad")
    assert len(caught.value.problems) == loading.PROBLEMS_KEPT == 1000
    assert caught.value.result.problem_count == 1500
    assert len(Path("bad/delivery.csv").read_text(encoding="utf-8").splitlines()) == 1501


def test_missing_paths_and_empty_folders_are_told(ledger: Ledger, told: Told) -> None:
    """A path that is not there, or holds nothing to load, is not passed over."""
    Path("none").mkdir()
    assert told("nowhere.csv", "none") == [
        "nowhere.csv: is not there; accepted: a file or a folder",
        "none: holds nothing to load; accepted: plant*.toml, KIND*.csv, KIND*.xlsx",
    ]
