"""Random histories: the ledger says what a replay in order of happening says, whatever the order of arrival."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sandtrack.ledger import Ledger, Reader

from .histories import OFF_US, Event, arrivals, histories
from .replay import Book, SetUp, Shop, Told, replay
from .shops import PLANT, REVISIONS, Clock, micros, new_shop, tell

QUICK = settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
LONG = settings(QUICK, max_examples=1500)
DAY_US = 86_400_000_000
FOREVER = 2**62
SHOP = Shop(
    [
        SetUp(seq, micros(f"{plant['shop']['valid_from']} 00:00"), plant)
        for seq, plant in enumerate((PLANT, *REVISIONS), 1)
    ]
)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop file with all its set-ups, to be copied for each history."""
    folder = tmp_path_factory.mktemp("made")
    ledger, _ = new_shop(folder)
    for number, plant in enumerate(REVISIONS):
        tell(ledger, "plant", f"plant-{number}", plant, "office")
    ledger.close()
    return folder / "test.shop"


class Teller:
    """A ledger that is being told a history, with what it has accepted so far."""

    def __init__(self, ledger: Ledger, clock: Clock) -> None:
        self.ledger, self.clock = ledger, clock
        self.told: list[Told] = []

    def tell(self, events: list[Event]) -> None:
        """Send events in one transaction; every one of them must be accepted and be new."""
        entries = []
        for event in events:
            sent_at = self.clock.now - (OFF_US if event.sender == "mixer 1" else 0)
            made = {"sender": event.sender, "record_id": event.id, "sent_at": sent_at}
            entries.append(self.ledger.entry(event.kind, event.content, **made))
        accepted, refused = self.ledger.append_all(entries)
        assert refused == []
        day = self.days[-1]
        for event, one in zip(events, accepted, strict=True):
            assert one is not None
            assert one.new
            self.told.append(Told(one.seq, event.kind, event.sender, event.id, event.at, event.content, day))

    @property
    def days(self) -> list[str]:
        """The days of recording so far."""
        first = micros("2025-11-03 09:00")
        return [f"2025-11-{3 + number:02d}" for number in range((self.clock.now - first) // DAY_US + 1)]


@contextmanager
def shop_of(made: Path) -> Iterator[Teller]:
    """A fresh copy of the shop, on the morning of its first day of recording."""
    with tempfile.TemporaryDirectory() as folder:
        path = shutil.copy(made, folder)
        clock = Clock(micros("2025-11-03 09:00"))
        ledger = Ledger.open(path, clock=clock)
        try:
            yield Teller(ledger, clock)
        finally:
            ledger.close()


def agrees(reader: Reader, told: list[Told], *, records_too: bool = False) -> Book:
    """The ledger's answers are those of a replay: at each instant of the history, just before it and just after."""
    book = replay(told, SHOP)
    instants = sorted({one.at + near for one in told for near in (-1, 0, 1)} | {0, FOREVER})
    places = sorted({*reader.holdings(), *book.met})
    for at in instants:
        stock, moulds = book.state(at)
        assert {key: reader.stock_mg(*key, at) for key in places} == {key: stock.get(key, 0) for key in places}, at
        assert reader.mould_contents_mg(at) == moulds, at
    for since, until in ((-FOREVER, FOREVER), (instants[len(instants) // 3], instants[2 * len(instants) // 3])):
        assert found_differences(reader, book, since, until) == wanted_differences(book, since, until)
        flows = {flow[:6]: flow[6:] for flow in reader.flows(since, until)}
        wanted = book.flows(since, until)
        part = slice(0, None) if records_too else slice(1, None)  # what completes an ending counts no record
        for key in {*flows, *wanted}:
            assert flows.get(key, (0, 0, 0))[part] == wanted.get(key, (0, 0, 0))[part], key
    return book


def found_differences(reader: Reader, book: Book, since: int, until: int) -> list[tuple[object, ...]]:
    """The ledger's, less what it says of materials that only a withdrawn or later record brought to a place."""
    return sorted(
        (one.place, one.material, one.at, -FOREVER if one.since is None else one.since, one.counted_mg, one.booked_mg)
        for one in reader.differences(since, until)
        if one.mass_mg or (one.place, one.material) in book.met
    )


def wanted_differences(book: Book, since: int, until: int) -> list[tuple[object, ...]]:
    """The replay's; a first count of nothing where there never was anything is none."""
    return sorted(
        (place, material, at, -FOREVER if before is None else before, counted, booked)
        for place, material, at, before, counted, booked in book.differences
        if since < at <= until and (before is not None or counted or booked)
    )


def conserved(ledger: Ledger) -> None:
    """Sands in conversion come to nothing at every instant; totals and moulds are the sums of movements."""
    with ledger.store.reading() as connection:
        for sql in (
            "SELECT * FROM mould_content WHERE mass_mg <= 0",
            "SELECT at, SUM(CASE 'conversion' WHEN target THEN mass_mg WHEN source THEN -mass_mg ELSE 0 END) AS net "
            "FROM movement GROUP BY at HAVING net <> 0",
            "SELECT source, target, material, SUM(mass_mg) FROM (SELECT source, target, material, mass_mg FROM flow "
            "UNION ALL SELECT source, target, material, -mass_mg FROM movement) "
            "GROUP BY source, target, material HAVING SUM(mass_mg) <> 0",
            "SELECT mould, material, SUM(mass_mg) FROM (SELECT mould, material, -mass_mg AS mass_mg FROM mould_content "
            "UNION ALL SELECT mould, material, CASE target WHEN 'moulds' THEN mass_mg ELSE -mass_mg END FROM movement "
            "WHERE mould IS NOT NULL) GROUP BY mould, material HAVING SUM(mass_mg) <> 0",
        ):
            assert connection.execute(sql).fetchall() == []


@QUICK
@given(data=st.data())
def test_every_order_of_arrival_gives_the_book_of_a_replay(made: Path, data: st.DataObject):
    """Stock, differences, moulds and totals are those of a replay, now and as known on each day of recording."""
    told_in_two_orders(made, data)


@pytest.mark.soak
@LONG
@given(data=st.data())
def test_every_order_of_arrival_in_the_long_run(made: Path, data: st.DataObject):
    """The same over many more histories."""
    told_in_two_orders(made, data)


def told_in_two_orders(made: Path, data: st.DataObject) -> None:
    """Tell one history in two orders of arrival, each over some days of recording."""
    events = data.draw(histories())
    for _ in range(2):
        with shop_of(made) as teller:
            for batch in data.draw(arrivals(events)):
                teller.tell(batch)
                conserved(teller.ledger)
                teller.clock.now += DAY_US
            teller.clock.now -= DAY_US
            with teller.ledger.reader() as reader:
                agrees(reader, teller.told)
            for day in teller.days:
                with teller.ledger.reader(day) as reader:
                    agrees(reader, [one for one in teller.told if one.recorded_day <= day])
            assert list(teller.ledger.verify()) == []


@QUICK
@given(data=st.data())
def test_told_as_it_happens(made: Path, data: st.DataObject):
    """Told in order of happening, numbers of records and squares too are those of a replay after each record."""
    rank = {"knock_out": 1, "mould_scrap": 1, "count": 2}
    events = [event for event in data.draw(histories(most=10)) if event.kind != "reversal"]
    events.sort(key=lambda event: (event.at, rank.get(event.kind, 0), event.sender, event.id))
    with shop_of(made) as teller:
        for event in events:
            teller.tell([event])
            conserved(teller.ledger)
            with teller.ledger.reader() as reader:
                agrees(reader, teller.told, records_too=True)


@QUICK
@given(data=st.data())
def test_a_repeat_adds_nothing(made: Path, data: st.DataObject):
    """Whatever is sent again, in whatever order, is known: the file's records, movements and totals stay the same."""
    events = data.draw(histories())
    with shop_of(made) as teller:
        for batch in data.draw(arrivals(events)):
            teller.tell(batch)
        before = dump(teller.ledger)
        for event in data.draw(st.lists(st.sampled_from(events), max_size=8)):
            sender, content = event.sender, dict(reversed(event.content.items()))
            again = teller.ledger.append(teller.ledger.entry(event.kind, content, sender=sender, record_id=event.id))
            assert not again.new
            assert again.seq == next(one.seq for one in teller.told if (one.sender, one.id) == (sender, event.id))
        assert dump(teller.ledger) == before


def dump(ledger: Ledger) -> list[str]:
    """All rows of the file."""
    with ledger.store.reading() as connection:
        return list(connection.iterdump())
