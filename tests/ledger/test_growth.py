"""What keeps long histories quick changes no answer, and an older file gets it when it is opened."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sandtrack.ledger import Ledger, Reader, migrations
from sandtrack.ledger.months import whole_months
from sandtrack.ledger.setups import plant_of
from sandtrack.plant import Plant
from sandtrack.shop import Shop

from .histories import arrivals, histories
from .shops import PLANT, Clock, micros
from .test_histories import DAY_US, Teller, agrees, made, shop_of

__all__ = ["made"]  # the fixture

FEW = settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
AS_BEFORE = """
DROP TABLE mould_life; DROP TABLE flow_month; DELETE FROM _sqlite_migrations WHERE name = '004_growth';
"""


def made_older(path: Path) -> None:
    """Take out of a file what the third step put into it."""
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(AS_BEFORE)


@FEW
@given(data=st.data())
def test_an_older_file_answers_the_same_once_it_is_opened(made: Path, data: st.DataObject) -> None:
    """Whatever its history: contents, totals and what was known on each day are those of a replay; nothing violated."""
    with shop_of(made) as teller:
        for batch in data.draw(arrivals(data.draw(histories()))):
            teller.tell(batch)
            teller.clock.now += DAY_US
        teller.clock.now -= DAY_US
        path = teller.ledger.store.path
        teller.ledger.close()
        made_older(path)
        with closing(Ledger.open(path, clock=teller.clock)) as ledger:
            for day in (None, *teller.days):
                with ledger.reader(day) as reader:
                    agrees(reader, [one for one in teller.told if day is None or one.recorded_day <= day])
            assert list(ledger.verify()) == []


def test_an_older_file_on_a_drive_that_cannot_be_written_answers_the_same(made: Path) -> None:
    """Where nothing may be written, the missing tables are made for the time of reading only."""
    with shop_of(made) as teller:
        mix_and_knock_out(teller)
        held = contents(teller.ledger, "2025-11-01 12:00")
        zone = teller.ledger.zone
        path = teller.ledger.store.path
        teller.ledger.close()
        made_older(path)
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            migrations.let_old_file_be_read(connection)
            reader = Reader(connection, zone)
            assert reader.mould_contents_mg(micros("2025-11-01 12:00")) == held
            assert len(reader.flows(micros("2025-10-01 00:00"), micros("2025-12-01 00:00"))) > 0
            assert "004_growth" not in migrations.applied(connection)
        assert held == {"7": {"new_sand": 100_000_000, "resin": 1_000_000}}


def mix_and_knock_out(teller: Teller) -> None:
    """One mould filled on 1 November and knocked out on the 2nd."""
    drawn = [{"place": "silo_new", "mass_kg": 100}, {"place": "tank_resin", "mass_kg": 1}]
    mix = {"at": "2025-11-01 10:00", "mixer": "m1", "binder_system": "furan", "moulds": ["7"], "streams": drawn}
    entries = [
        teller.ledger.entry("mix", mix, sender="m1", record_id="a"),
        teller.ledger.entry("knock_out", {"at": "2025-11-02 10:00", "moulds": ["7"], "to": "heap_f"}, sender="ida"),
    ]
    _, refused = teller.ledger.append_all(entries)
    assert refused == []


def contents(ledger: Ledger, at: str) -> dict[str, dict[str, int]]:
    """What moulds held at an instant."""
    with ledger.reader() as reader:
        return reader.mould_contents_mg(micros(at))


@pytest.mark.parametrize(
    ("sql", "code"),
    [
        ("UPDATE flow_month SET mass_mg = mass_mg + 1 WHERE kind = 'mix'", "flow_month"),
        ("DELETE FROM flow_month WHERE kind = 'mix'", "flow_month"),
        ("DELETE FROM mould_life", "mould_life"),
        ("UPDATE mould_life SET lasting = lasting + 1", "mould_life"),
        ("UPDATE mould_life SET spanning = spanning + 2", "mould_life"),
        ("UPDATE mould_life SET until = until - 1", "mould_life"),
        ("UPDATE mould_life SET since = since + 1", "mould_life"),  # of 24 h: still of as many binary digits
        ("UPDATE mould_life SET opened = closed, spanning = 0", "mould_life"),
    ],
)
def test_verify_names_what_was_changed_there(made: Path, sql: str, code: str) -> None:
    """Neither table can be changed without `verify` saying so."""
    with shop_of(made) as teller:
        mix_and_knock_out(teller)
        path = teller.ledger.store.path
        teller.ledger.close()
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute(sql)
        with closing(Ledger.open(path, clock=teller.clock)) as ledger:
            assert code in {violation.code for violation in ledger.verify()}


@given(first=st.dates(date(2020, 1, 1), date(2024, 12, 31)), days=st.integers(0, 500))
def test_whole_months_and_the_days_beside_them_are_all_days_once(first: date, days: int) -> None:
    """Every day of a span lies in a whole month or beside them, none twice (counted by the calendar of Python)."""
    last = date.fromordinal(first.toordinal() + days)
    every = [date.fromordinal(number).isoformat() for number in range(first.toordinal(), last.toordinal() + 1)]
    months = whole_months(first.isoformat(), last.isoformat())
    if months is None:
        spans = [(first.isoformat(), last.isoformat())]
        assert not any(day.endswith("-01") and _month_end(day) in every for day in every)
    else:
        spans = [(first.isoformat(), months.day_before), (f"{months.first}-01", f"{months.last}-31")]
        spans.append((months.day_after, last.isoformat()))
    assert [day for day in every if sum(begin <= day <= end for begin, end in spans) == 1] == every


def _month_end(first_of_month: str) -> str:
    begin = date.fromisoformat(first_of_month)
    following = date(begin.year + begin.month // 12, begin.month % 12 + 1, 1)
    return date.fromordinal(following.toordinal() - 1).isoformat()


def test_a_search_looks_back_so_far_and_goes_on_from_there(made: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is not found among the latest records is found on asking on; the answer says how far back it looked."""
    monkeypatch.setattr("sandtrack.shop.finding.SEARCHED_AT_ONCE", 5)
    with shop_of(made) as teller:
        readings = [{"at": f"2025-10-{day:02d} 08:00", "what": "air", "value_c": day} for day in range(1, 29)]
        readings[3]["note"] = "door open"
        same = [{"at": "2025-10-02 08:00", "what": "air", "value_c": 40 + number} for number in range(9)]
        entries = [
            teller.ledger.entry("temperature", reading, sender="ida", record_id=f"t{number}")
            for number, reading in enumerate([*readings, *same])
        ]
        teller.ledger.append_all(entries)
        shop = Shop(teller.ledger)
        found, pages, after = [], 0, None
        while True:
            answer = shop.records(text="door open", after=after)
            found += [record["id"] for record in answer.values["records"]]
            pages += 1
            if not answer.values["more"]:
                break
            assert answer.values["searched_back_to"]
            assert [flag.code for flag in answer.flags] == ["search_not_finished"]
            after = answer.values["next"]
            assert pages < 20
        assert found == ["t3"]
        assert pages > 3
        everything: list[str] = []
        after = None
        while True:
            answer = shop.records(sender="ida", after=after, limit=4)
            everything += [record["id"] for record in answer.values["records"]]
            if not answer.values["more"]:
                break
            after = answer.values["next"]
        assert sorted(everything) == sorted(f"t{number}" for number in range(37))


def test_opening_reads_only_the_set_up_it_needs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A question of today reads the revision in force, however many there were before."""
    path = tmp_path / "many.shop"
    clock = Clock(micros("2025-11-03 09:00"))
    with closing(Ledger.create(path, PLANT, sender="office", clock=clock)) as ledger:
        for number in range(1, 9):
            content = {**PLANT, "shop": {**PLANT["shop"], "valid_from": f"2025-02-{number:02d}"}}
            ledger.append(ledger.entry("plant", content, sender="office", record_id=f"p{number}"))
    read: list[str] = []
    whole = Plant.read

    def counted(content: object, **named: object) -> Plant:
        read.append("revision")
        return whole(content, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(Plant, "read", counted)
    plant_of.cache_clear()
    with closing(Ledger.open(path, clock=clock)) as ledger:
        assert Shop(ledger).stock().values["stock_kg"] is not None
    assert len(read) == 1
