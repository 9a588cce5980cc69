"""Many records in one upload: answered line by line, in order, each portion once it is committed."""

from __future__ import annotations

import io
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from sandtrack_api import portions
from sandtrack_api.portions import lines
from werkzeug.test import EnvironBuilder, run_wsgi_app

from sandtrack.errors import ShopFileError
from sandtrack.ledger import Ledger

from .clients import Running, is_problem, is_problem_body
from .samples import record


def sent(*records: dict[str, Any]) -> bytes:
    """Records as lines."""
    return "".join(json.dumps(one) + "\n" for one in records).encode()


def count(record_id: str, **more: Any) -> dict[str, Any]:
    """A line with a count."""
    return {"kind": "count", **record("count", record_id, **more)}


def told(service: Running, body: bytes) -> list[dict[str, Any]]:
    """The answers of an upload, which is answered whatever its lines are."""
    answer = service.manager.send_lines(body)
    assert answer.status_code == 200, answer.text
    assert answer.content_type == "application/x-ndjson"
    found = [json.loads(line) for line in answer.text.splitlines()]
    for one in found:
        assert one["outcome"] in ("new", "known", "conflict", "refused", "failed")
        assert ("problem" in one) == (one["outcome"] in ("conflict", "refused", "failed"))
        assert ("recorded_at" in one) == (one["outcome"] in ("new", "known"))
        if "problem" in one:
            is_problem_body(one["problem"], one["problem"]["status"], one["problem"]["code"])
    return found


def records_in(path: Path) -> int:
    """How many records the shop file holds besides its first set-up."""
    with sqlite3.connect(path) as connection:
        (found,) = connection.execute("SELECT count(*) - 1 FROM record").fetchone()
    connection.close()
    return int(found)


def test_each_line_is_answered_in_order(service: Running):
    """New, already known, conflict, refused and why; the good ones are kept."""
    first = service.manager.send("count", record("count", "c-0"))
    assert [flag["code"] for flag in first.json["flags"]] == ["person_unknown"]
    service.device.send("mix", record("mix", "m1-1"))
    found = told(
        service,
        sent(
            count("c-0", sender="manager"),
            count("c-1"),
            count("c-1"),
            count("c-1", mass_kg=5),
            count("c-2", place="silo_nwe"),
            {"kind": "cuont", "id": "c-3"},
            {"kind": "reversal", **record("reversal", "b-1", of={"sender": "m1", "id": "m1-2"})},
            {"kind": "mix", **record("mix", "m1-1")},
            {"kind": "reversal", **record("reversal", "b-2")},
            {"kind": "reversal", **record("reversal", "b-3")},
        ),
    )
    assert [one["line"] for one in found] == list(range(1, 11))
    assert [one["outcome"] for one in found] == [
        "known", "new", "known", "conflict", "refused", "refused", "refused", "new", "new", "refused",
    ]  # fmt: skip
    assert [one["problem"]["code"] for one in found if "problem" in one] == [
        "conflict", "bad_input", "bad_input", "no_such_record", "already_reversed",
    ]  # fmt: skip
    assert found[1] | {"recorded_at": ""} == {
        "line": 2, "outcome": "new", "kind": "count", "sender": "manager", "id": "c-1", "recorded_at": "",
    }  # fmt: skip
    assert found[4]["problem"]["problems"][0]["field"] == "place"
    assert found[5]["problem"]["problems"][0]["accepted"] == "did you mean count?"
    assert records_in(service.path) == 5


def test_a_set_up_among_the_lines_holds_for_those_after_it(service: Running):
    """A revision in an upload is in force for the lines that follow."""
    plant = record("plant", "p-1")
    plant["shop"]["valid_from"] = "2025-02-01"
    plant["places"]["silo_x"] = {"kind": "silo", "material": "new_sand"}
    found = told(service, sent(count("c-1", place="silo_x"), {"kind": "plant", **plant}, count("c-2", place="silo_x")))
    assert [one["outcome"] for one in found] == ["refused", "new", "new"]


@pytest.mark.parametrize(
    ("line", "status", "code", "said"),
    [
        (b"{", 400, "bad_json", "not JSON"),
        (b"null", 422, "bad_input", "is not an object"),
        (b"[1]", 422, "bad_input", "is not an object"),
        (b"{}", 422, "bad_input", "kind: is missing"),
        (b'{"kind": 5}', 422, "bad_input", "is not a kind of record"),
        (b'{"kind": ["count"]}', 422, "bad_input", "is not a kind of record"),
        (b'{"kind": "count", "kind": "count"}', 400, "bad_json", "there twice"),
        (b'{"kind": "count", "mass_kg": Infinity}', 400, "bad_json", "is not a number"),
        (b'{"kind": "count", "id": "\\ud83d"}', 422, "bad_input", "id"),
        (b"\xe9", 400, "bad_json", "not UTF-8"),
        (b"[" * 50_000, 400, "bad_json", "nested too deeply"),
        (b'{"note": "' + b"x" * 1_000_000 + b'"}', 413, "too_large", "longer than 1000000 bytes"),
    ],
)
def test_a_bad_line_spoils_no_other(service: Running, line: bytes, status: int, code: str, said: str):
    """A line that cannot be used is refused with its own problem, and those around it are kept."""
    found = told(service, sent(count("c-1")) + line + b"\n" + sent(count("c-2")))
    assert [one["outcome"] for one in found] == ["new", "refused", "new"]
    is_problem_body(found[1]["problem"], status, code, said)


def test_blank_lines_count_and_are_passed_over(service: Running):
    """Lines are numbered as an editor shows them; line ends of Windows, and none at the end, are fine."""
    body = b"\r\n" + sent(count("c-1")).replace(b"\n", b"\r\n") + b"  \n\n" + sent(count("c-2")).rstrip()
    assert [(one["line"], one["outcome"]) for one in told(service, body)] == [(2, "new"), (5, "new")]


@pytest.mark.parametrize("body", [b"", b"\n \r\n"])
def test_an_upload_without_a_line_is_refused(service: Running, body: bytes):
    """An upload that holds nothing is more likely a mistake than meant."""
    is_problem(service.manager.send_lines(body), 400, "bad_request", "holds no line")


def test_another_media_type_is_refused(service: Running):
    """Lines sent as JSON are 415."""
    answer = service.client.post("/v1/records", json=count("c-1"), headers=service.manager.headers)
    is_problem(answer, 415, "unsupported_media_type", "accepted: application/x-ndjson")


def test_sent_again_all_is_known(service: Running, monkeypatch: pytest.MonkeyPatch):
    """An upload repeated adds nothing, however its portions fall, also where its lines have no ids of their own."""
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 7)
    alike = [{name: value for name, value in count("x").items() if name != "id"}] * 3
    body = sent(*(count(f"c-{number}") for number in range(20)), *alike)
    assert {one["outcome"] for one in told(service, body)} == {"new"}
    assert records_in(service.path) == 23
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 1000)
    assert {one["outcome"] for one in told(service, body)} == {"known"}
    assert records_in(service.path) == 23


def test_a_portion_is_committed_before_it_is_answered(service: Running, monkeypatch: pytest.MonkeyPatch):
    """Whenever answers come, another program already sees all that they acknowledge; the rest is not read ahead."""
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 10)
    body = sent(*(count(f"c-{number}") for number in range(35)))
    answer = service.client.post(
        "/v1/records",
        data=body,
        content_type="application/x-ndjson",
        headers=service.manager.headers,
        buffered=False,
    )
    acknowledged = 0
    for chunk in answer.response:
        acknowledged += chunk.count(b'"outcome":"new"')
        assert records_in(service.path) == acknowledged
    assert acknowledged == 35


def test_a_line_that_may_not_be_recorded_ends_no_upload(
    service: Running, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
):
    """In a portion that is written while the answer goes out: answered and logged as in the first."""
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 2)
    kinds = ["level", "level", "plant", "level", "level", "plant"]
    body = sent(*({"kind": kind, **record("level", str(number))} for number, kind in enumerate(kinds)))
    asked = EnvironBuilder("/v1/records", method="POST", data=body, content_type="application/x-ndjson",
                           headers=service.operator.headers).get_environ()  # fmt: skip
    parts, status, _ = run_wsgi_app(service.app.wsgi_app, asked, buffered=False)  # as a server does
    outcomes = [json.loads(line)["outcome"] for line in b"".join(parts).splitlines()]
    assert (status, outcomes) == ("200 OK", ["new", "new", "refused", "new", "new", "refused"])
    refused = [one.getMessage() for one in caplog.records if one.name == "sandtrack_api.refusals"]
    assert [("(operator)" in line, "may not record:plant" in line) for line in refused] == [(True, True)] * 2


def test_when_the_shop_file_fails_it_is_said(service: Running, monkeypatch: pytest.MonkeyPatch):
    """At once it is the status of the whole; midway the lines of the portion are answered "failed", and none after."""
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 10)
    body = sent(*(count(f"c-{number}") for number in range(35)))
    append, calls = Ledger.append_all, []

    def failing(ledger: Ledger, entries: Any) -> Any:
        calls.append(1)
        if len(calls) in (1, 3):
            path = ledger.store.path
            raise ShopFileError(f"{path} cannot grow: the disk is full", path=path, fault="full")
        return append(ledger, entries)

    monkeypatch.setattr(Ledger, "append_all", failing)
    body_of = is_problem(service.manager.send_lines(body), 503, "shop_file_full", "shop.sandtrack cannot grow")
    assert str(service.path) not in body_of["detail"]
    found = told(service, body)
    assert [one["outcome"] for one in found] == ["new"] * 10 + ["failed"] * 10
    assert records_in(service.path) == 10
    assert [one["outcome"] for one in told(service, body)] == ["known"] * 10 + ["new"] * 25


def test_what_nobody_foresaw_ends_the_upload(
    service: Running, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
):
    """An error of our own midway is logged, told as a failure without its innards, and keeps no half portion."""
    monkeypatch.setattr(portions, "LINES_AT_ONCE", 2)
    append, calls = Ledger.append_all, []

    def failing(ledger: Ledger, entries: Any) -> Any:
        calls.append(1)
        if len(calls) == 2:
            raise ZeroDivisionError("of our own making")
        return append(ledger, entries)

    monkeypatch.setattr(Ledger, "append_all", failing)
    found = told(service, sent(*(count(f"c-{number}") for number in range(6))))
    assert [one["outcome"] for one in found] == ["new", "new", "failed", "failed"]
    assert "of our own making" not in json.dumps(found)
    assert "of our own making" in caplog.text


@pytest.mark.parametrize("size", [1, 2, 3, 7, 10, 64])
def test_lines_are_found_however_they_arrive(monkeypatch: pytest.MonkeyPatch, size: int):
    """Cut anywhere, a stream gives the lines that it has; one that is too long is given up without being kept."""
    monkeypatch.setattr(portions, "_CHUNK", size)
    monkeypatch.setattr(portions, "LONGEST_LINE", 10)
    stream = io.BytesIO(b"one\n\n" + b"x" * 10 + b"\n" + b"y" * 11 + b"\nfour\r\n" + b"z" * 50)
    assert list(lines(stream)) == [(1, b"one"), (3, b"x" * 10), (4, None), (5, b"four\r"), (6, None)]
