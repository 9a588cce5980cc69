"""Dangerous events: each is raised typed, loaded and sent, whatever arrives first, and a normal day raises nothing."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Iterable
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sandtrack import Shop
from sandtrack.records import flat
from sandtrack.shop import loading
from sandtrack.shop.watch.attention import URGENCY

from ..api.clients import Caller, Clock, Running
from .circuit import micros
from .planted import ABSENT, DANGER_PLANT, PLANTED, QUIET_DAY, Planted, Told, told

LATER = "2025-06-04 12:00"
COUNTS = tuple(
    told("count", "2025-06-01", place=place, mass_kg=mass)
    for place, mass in {
        "silo_new": 20000, "silo_back": 10000, "silo_e": 9000, "heap": 12000, "heap_e": 5000, "reclaimer": 0,
        "reclaimer_e": 0, "skip": 2000, "tank_resin": 1000, "tank_acid": 400, "tank_resin_e": 900, "tank_slow": 500,
        "tank_fast": 500, "core_store": 300,
    }.items()
)  # fmt: skip
Flags = set[tuple[str, str]]
Tell = Callable[[Path, Iterable[Told]], Flags]


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shop with everything counted at the end of 1 June, made once."""
    path = tmp_path_factory.mktemp("counted") / "shop.sandtrack"
    with Shop.create(path, DANGER_PLANT, clock=Clock(micros(LATER))) as shop:
        for number, count in enumerate(COUNTS):
            shop.log(count.kind, count.content, sender=count.sender, id=f"c{number}")
        shop.ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def path(counted: Path, tmp_path: Path) -> Path:
    """A counted shop of one's own."""
    return Path(shutil.copy(counted, tmp_path / "shop.sandtrack"))


def _shop(path: Path) -> Shop:
    return Shop.open(path, clock=Clock(micros(LATER)))


def _typed(path: Path, records: Iterable[Told]) -> Flags:
    """Each record by `log`; what all receipts raise together."""
    with _shop(path) as shop:
        return {
            (flag.code, flag.subject)
            for number, record in enumerate(records)
            for flag in shop.log(record.kind, record.content, sender=record.sender, id=f"r{number}").flags
        }


def _loaded(path: Path, records: Iterable[Told]) -> Flags:
    """All records as a folder of tables, one file a kind."""
    rows: dict[str, list[dict[str, str]]] = {}
    for number, record in enumerate(records):
        row = {"id": f"r{number}", "sender": record.sender, **flat.flatten(record.kind, record.content)}
        rows.setdefault(record.kind, []).append(row)
    for kind, lines in rows.items():
        names = list(dict.fromkeys(name for line in lines for name in line))
        with (path.parent / f"{kind}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(lines)
    with _shop(path) as shop:
        result = loading.load(shop.ledger, [path.parent / f"{kind}.csv" for kind in rows])
        return {(flag.code, flag.subject) for flag in result.dangers}


def _caller(running: Running, sender: str) -> Caller:
    """A manager of that name, or the mixer: a token speaks as itself alone."""
    if sender == "m1":
        return Caller(running.client, running.texts["device"])
    if sender not in running.texts:
        running.texts[sender] = running.tokens.make(role="manager", name=sender)[1]
    return Caller(running.client, running.texts[sender])


def _sent(path: Path, records: Iterable[Told]) -> Flags:
    """Each record by POST; what all answers raise together."""
    running = Running(path, Clock(micros(LATER)))
    try:
        found: Flags = set()
        for number, record in enumerate(records):
            body = {"id": f"r{number}", **record.content}
            answer = _caller(running, record.sender).send(record.kind, body)
            assert answer.status_code == 201, answer.text
            found |= {(flag["code"], flag["subject"]) for flag in answer.json["flags"]}
        return found
    finally:
        running.close()


def _uploaded(path: Path, records: Iterable[Told]) -> Flags:
    """All records as lines: an upload for each run of one sender's."""
    running = Running(path, Clock(micros(LATER)))
    try:
        answers: list[Any] = []
        for sender, numbered in groupby(enumerate(records), lambda pair: pair[1].sender):
            lines = [json.dumps({"kind": one.kind, "id": f"r{number}", **one.content}) for number, one in numbered]
            answer = _caller(running, sender).send_lines("\n".join(lines).encode())
            answers += [json.loads(line) for line in answer.data.splitlines()]
        assert {answer["outcome"] for answer in answers} == {"new"}
        return {(flag["code"], flag["subject"]) for answer in answers for flag in answer.get("flags", ())}
    finally:
        running.close()


WAYS: dict[str, Tell] = {"typed": _typed, "loaded": _loaded, "sent": _sent, "uploaded": _uploaded}


def _apart(planted: Planted, mould: str) -> Planted:
    """A planted danger with a mould number of its own."""
    text = json.dumps([record.content for record in planted.records]).replace('"7"', f'"{mould}"')
    contents: list[dict[str, Any]] = json.loads(text)
    records = (record._replace(content=content) for record, content in zip(planted.records, contents, strict=True))
    return Planted(planted.code, planted.subject.replace("7", mould), tuple(records))


@pytest.mark.parametrize("name", PLANTED)
def test_a_dangerous_event_is_raised_and_kept(name: str, path: Path) -> None:
    """Each planted danger stands on a receipt by its code and subject, and once on the attention list.

    There it may stand with the graver one of the same cause: a wrong material with what it reacts with.
    """
    planted = PLANTED[name]
    assert (planted.code, planted.subject) in _typed(path, planted.records)
    with _shop(path) as shop:
        items = shop.attention().values["items"]
    listed = [(code, item["subject"]) for item in items for code in (item["code"], *item["also"])]
    assert listed.count((planted.code, planted.subject)) == 1
    assert planted.code in URGENCY


@pytest.mark.parametrize("way", WAYS)
def test_dangerous_events_speak_whichever_way_they_come(way: str, path: Path) -> None:
    """All planted dangers, each with a mould of its own: typed, loaded from files, sent one by one or as lines."""
    apart = [_apart(planted, str(300 + place)) for place, planted in enumerate(PLANTED.values())]
    raised = WAYS[way](path, (record for planted in apart for record in planted.records))
    assert {(planted.code, planted.subject) for planted in apart} - raised == set()


@pytest.mark.parametrize("way", WAYS)
def test_a_normal_day_raises_nothing(way: str, path: Path) -> None:
    """Tankers, mixes, checks, cores, a run, a hold that is released, pours and knock-outs: not one flag, no item."""
    assert WAYS[way](path, QUIET_DAY) == set()
    with _shop(path) as shop:
        assert shop.attention().flags == ()


@pytest.mark.parametrize("name", ["a mix without acid", "a mix with three times its resin", "resin and acid swapped"])
def test_a_bad_mix_marks_its_moulds_until_they_are_dealt_with(name: str, path: Path) -> None:
    """In doubt in `moulds` and on the list; a release of the mould, or its end, takes both away."""
    code, (mix,) = PLANTED[name].code, PLANTED[name].records
    _typed(path, [mix, mix._replace(content=mix.content | {"at": "2025-06-03 08:05", "moulds": ["8"]})])
    with _shop(path) as shop:

        def marked() -> set[str]:
            return {flag.subject for flag in shop.moulds().flags if flag.code == code}

        def listed() -> list[str]:
            return [flag.text.partition("moulds")[2] for flag in shop.attention().flags if flag.code == code]

        assert {mould["state"] for mould in shop.moulds().values["moulds"].values()} == {"in_doubt"}
        assert (marked(), listed()) == ({"7", "8"}, [" 7 and 8"])
        shop.log("release", {"at": "2025-06-03 09:00", "mould": "7", "reason": "test piece cured"}, sender="ida")
        assert marked() == {"8"}
        assert len(listed()) == 1
        ended = {"at": "2025-06-03 10:00", "moulds": ["8"], "to": "heap", "reason": "not cured"}
        shop.log("mould_scrap", ended, sender="ida")
        assert (marked(), listed()) == (set(), [])


TOGETHER = tuple(planted for planted in PLANTED.values() if len(planted.records) > 1 and planted.code not in ABSENT)


@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_the_order_of_arrival_changes_nothing(
    data: st.DataObject, counted: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Two planted dangers in any order of arrival: the same flags over all receipts, and the same attention list.

    A normal day stands beside them. Flags of what is missing are left out of the receipts: what comes takes them back.
    """
    chosen = data.draw(st.lists(st.sampled_from(range(len(TOGETHER))), min_size=1, max_size=2, unique=True))
    records = [record for place in chosen for record in _apart(TOGETHER[place], str(300 + place)).records]
    numbered = list(enumerate([*records, *QUIET_DAY[:6]]))
    seen = []
    for order in (numbered, data.draw(st.permutations(numbered))):
        with _shop(Path(shutil.copy(counted, tmp_path_factory.mktemp("order")))) as shop:
            raised = {
                (flag.code, flag.subject)
                for number, record in order
                for flag in shop.log(record.kind, record.content, sender=record.sender, id=f"r{number}").flags
            }
            listed = [(flag.code, flag.subject, flag.text) for flag in shop.attention().flags]
        seen.append(({flag for flag in raised if flag[0] not in ABSENT}, listed))
    assert seen[0] == seen[1]
