"""Set-points and records pass costly questions: lanes, limits, one working-out for equal ones, deadlines."""

from __future__ import annotations

import json
import threading
import time
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from sandtrack_api import flights, lanes
from sandtrack_api.flights import Flights
from sandtrack_api.lanes import COSTLY, UPLOADS, Lanes
from sandtrack_api.problems import Refusal
from sandtrack_api.questions import QUESTIONS

from sandtrack.ledger.connections import connect
from sandtrack.shop import Shop

from .clients import Clock, Running, is_problem
from .programs import call, manager, program
from .samples import ASKED, record

HELD_BRIEF = """
import os, time
from sandtrack.shop import brief
def held(seen, real=brief.brief):
    while not os.path.exists(GO):
        time.sleep(0.02)
    return real(seen)
brief.brief = held
"""
SET_POINT = "/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=18"


def held(shop: Path) -> tuple[str, Path]:
    """What makes each brief wait until a file is there, and the file."""
    go = shop.with_name("go")
    return f"GO = {str(go)!r}\n{HELD_BRIEF}", go


def test_set_points_and_records_pass_costly_questions(new_shop: Path):
    """While eight different costly questions of two people are held, a set-point and a record are answered."""
    before, go = held(new_shop)
    people, device = [manager(new_shop) for _ in range(2)], manager(new_shop)
    with program(new_shop, before=before) as running, ThreadPoolExecutor(8) as pool:
        ask = partial(call, running.port, "GET")
        asked = [pool.submit(ask, f"/v1/brief?at=2025-03-{n + 1:02d}", people[n % 2]) for n in range(8)]
        time.sleep(0.5)
        assert ask(SET_POINT, device)[0] == 200
        headers = {**device, "Content-Type": "application/json"}
        sent = json.dumps(record("level", "l-1"))
        assert call(running.port, "POST", "/v1/records/level", headers, sent)[0] == 201
        assert not any(one.done() for one in asked)
        go.touch()
        assert {one.result()[0] for one in asked} == {200}


def test_too_many_of_one_token(new_shop: Path):
    """Of one token so many costly questions are taken in; the next is refused with 429, and told when to come again."""
    before, go = held(new_shop)
    headers, other = manager(new_shop), manager(new_shop)
    with program(new_shop, before=before) as running, ThreadPoolExecutor(COSTLY.most_of_token + 3) as pool:
        asked = [pool.submit(call, running.port, "GET", "/v1/brief", headers) for _ in range(COSTLY.most_of_token + 2)]
        refused = [one.result()[:3] for _, one in zip(range(2), as_completed(asked), strict=False)]
        another = pool.submit(call, running.port, "GET", "/v1/brief", other)
        time.sleep(0.2)
        go.touch()
        assert another.result()[0] == 200
        assert sorted(one.result()[0] for one in asked) == [200] * COSTLY.most_of_token + [429] * len(refused)
        assert call(running.port, "GET", "/v1/brief", headers)[0] == 200
    for status, head, body in refused:
        assert (status, body["code"], head["Retry-After"]) == (429, "too_many_requests", str(lanes.RETRY_AFTER_S))


class Channel:
    """A connection with one request, answered when it is let go."""

    def __init__(self, command: str, path: str, token_id: str, go: threading.Event) -> None:
        self.requests = [SimpleNamespace(command=command, path=path, token_id=token_id, error=None)]
        self.go, self.done = go, threading.Event()

    def service(self) -> None:
        """Answer it."""
        if self.requests[0].error is None:
            self.go.wait(10)
        self.done.set()

    def cancel(self) -> None:
        """The server ends."""


def test_no_lane_is_filled_by_another():
    """Full lanes of costly questions and of uploads leave threads for set-points; who shows no token fills neither."""
    made, go, at_once = Lanes(2, ["/v1/setting"]), threading.Event(), threading.Event()
    at_once.set()
    try:
        for number in range(COSTLY.most):
            made.add_task(Channel("GET", "/v1/brief", f"t{number // COSTLY.most_of_token}", go))
        for number in range(UPLOADS.most):
            made.add_task(Channel("POST", "/v1/records", f"t{number // UPLOADS.most_of_token}", go))
        refused = Channel("GET", "/v1/brief", "another", go)
        made.add_task(refused)
        assert (refused.requests[0].error.code, refused.requests[0].error.problem) == (503, "busy")
        for quick in (
            Channel("GET", "/v1/setting", "m1", at_once),
            Channel("POST", "/v1/records/mix", "m1", at_once),
            Channel("GET", "/v1/brief", "", at_once),
            refused,
        ):
            if quick is not refused:
                made.add_task(quick)
            assert quick.done.wait(10)
    finally:
        go.set()
        assert made.shutdown()
    assert not made._taken


def test_every_question_has_its_lane():
    """What a device waits for is quick, all else is costly (by hand)."""
    assert {one.name for one in QUESTIONS if one.quick} == {"setting", "stopped", "tables"}


def connection(path: Path) -> Any:
    """A connection to a shop file."""
    return connect(path, "rw", 1.0)


def test_equal_questions_are_worked_out_once(new_shop: Path):
    """Eight who ask the same of the same state get the one answer; who asks of a later state gets another."""
    made, began, go, worked = Flights(), threading.Event(), threading.Event(), []

    def work(which: bytes) -> bytes:
        worked.append(which)
        began.set()
        assert go.wait(10)
        return which

    def ask(state: str) -> bytes:
        return made.once((state, "brief"), lambda: work(state.encode()), connection(new_shop), costly=True)

    with ThreadPoolExecutor(9) as pool:
        first = pool.submit(ask, "one")
        assert began.wait(10)
        same = [pool.submit(ask, "one") for _ in range(7)]
        later = pool.submit(ask, "two")
        time.sleep(0.2)
        go.set()
        assert {one.result(10) for one in (first, *same)} == {b"one"}
        assert later.result(10) == b"two"
    assert sorted(worked) == [b"one", b"two"]
    assert made.once(("one", "brief"), lambda: b"anew", connection(new_shop), costly=True) == b"anew"


def test_what_fails_fails_for_all_who_asked(new_shop: Path):
    """An error reaches those who waited too, and nothing is left of it."""
    made, began, go = Flights(), threading.Event(), threading.Event()

    def work() -> bytes:
        began.set()
        go.wait(10)
        raise ValueError("no")

    with ThreadPoolExecutor(2) as pool:
        asked = [pool.submit(made.once, "k", work, connection(new_shop), costly=True)]
        assert began.wait(10)
        asked.append(pool.submit(made.once, "k", work, connection(new_shop), costly=True))
        time.sleep(0.2)
        go.set()
        assert [str(one.exception(10)) for one in asked] == ["no", "no"]
    assert made.once("k", lambda: b"ok", connection(new_shop), costly=True) == b"ok"


def test_who_waits_for_a_turn_does_not_wait_for_ever(new_shop: Path, monkeypatch: pytest.MonkeyPatch):
    """A costly question that gets no turn by its deadline is refused; a quick one needs none."""
    made, go, running = Flights(), threading.Event(), threading.Barrier(flights.COSTLY_AT_ONCE + 1)

    def work() -> bytes:
        running.wait(10)
        go.wait(10)
        return b""

    with ThreadPoolExecutor(flights.COSTLY_AT_ONCE) as pool:
        for number in range(flights.COSTLY_AT_ONCE):
            pool.submit(made.once, number, work, connection(new_shop), costly=True)
        running.wait(10)
        monkeypatch.setattr(flights, "DEADLINE_S", 0.05)
        with pytest.raises(Refusal) as refusal:
            made.once("more", lambda: b"", connection(new_shop), costly=True)
        assert (refusal.value.status, refusal.value.code) == (503, "too_long")
        assert made.once("quick", lambda: b"q", connection(new_shop), costly=False) == b"q"
        go.set()


@pytest.mark.parametrize("name", ["brief", "attention", "setting", "audit"])
def test_a_question_that_takes_too_long_ends(service: Running, name: str, monkeypatch: pytest.MonkeyPatch):
    """Past its deadline a question ends with 503 and a code, and the next one is answered from the newest records."""
    monkeypatch.setattr(flights, "LOOK_EVERY", 1)
    monkeypatch.setattr(flights, "DEADLINE_S", -1.0)
    answer = service.manager.get(f"/v1/{name}?{ASKED[name]}")
    is_problem(answer, 503, "too_long")
    assert answer.headers["Retry-After"]
    monkeypatch.undo()
    with Shop.open(
        service.path, clock=Clock()
    ) as shop:  # another program records: a picture left open would not show it
        shop.log("level", {"at": "2025-03-03 08:00", "place": "silo_new", "level_m": 4}, sender="ida", id="l-1")
    got = service.manager.get(f"/v1/{name}?{ASKED[name]}")
    assert got.status_code == 200
    assert got.json["head"].startswith("2 records")
