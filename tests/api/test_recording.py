"""One record over HTTP: every kind, repeats, conflicts, and everything that is refused."""

from __future__ import annotations

import json
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from sandtrack.ledger import Ledger
from sandtrack.records import KINDS
from sandtrack.shop import Shop

from .clients import NOW, Running, is_problem
from .samples import record


def told(service: Running) -> dict[tuple[str, str], dict[str, Any]]:
    """What the ledger holds besides the first set-up, by sender and id."""
    with Shop.open(service.path) as shop:
        found = shop.records(limit=1000).values["records"]
    return {(one["sender"], one["id"]): one for one in found if one["id"] != "first"}


@pytest.mark.parametrize("kind", [kind for kind in (*KINDS, "plant") if kind != "reversal"])
def test_a_record_of_every_kind_is_kept(service: Running, kind: str):
    """A new record answers 201 with its receipt and where it is found; sent again 200, and nothing is added."""
    sent = record(kind, "r-1", sender="manager")
    first = service.manager.send(kind, sent)
    assert first.status_code == 201, first.text
    assert first.json["new"] is True
    assert (first.json["kind"], first.json["sender"], first.json["id"]) == (kind, "manager", "r-1")
    assert first.headers["Location"] == "/v1/records?sender=manager&id=r-1"
    again = service.manager.send(kind, sent)
    assert again.status_code == 200
    assert again.json["new"] is False
    assert [flag["code"] for flag in again.json["flags"]] == ["known"]
    found = service.manager.get(first.headers["Location"]).json["values"]["records"]
    assert [(one["kind"], one["id"]) for one in found] == [(kind, "r-1")]
    content = {name: value for name, value in sent.items() if name not in ("id", "sender")}
    assert found[0]["content"] == content


def test_a_reversal_withdraws(service: Running):
    """A reversal that comes before its record is a conflict; after it, it withdraws; a second one is a conflict."""
    back = record("reversal", "back-1")
    is_problem(service.manager.send("reversal", back), 409, "no_such_record", "no record 'm1-1' of sender 'm1' yet")
    assert service.device.send("mix", record("mix", "m1-1")).status_code == 201
    assert service.device.send("reversal", back).status_code == 201
    is_problem(
        service.manager.send("reversal", record("reversal", "back-2")), 409, "already_reversed", "is reversed already"
    )
    assert told(service)["m1", "m1-1"]["withdrawn"] is True


def test_another_content_under_an_id_is_a_conflict(service: Running):
    """The same id with other content is refused, naming the fields; what was known stays."""
    service.operator.send("count", record("count", "c-1"))
    body = is_problem(
        service.operator.send("count", record("count", "c-1", mass_kg=14001, note="typed again")), 409, "conflict"
    )
    assert [problem["field"] for problem in body["problems"]] == ["mass_kg", "note"]
    assert told(service)["operator", "c-1"]["content"]["mass_kg"] == 14000


def test_the_sender_is_the_token_s_name(service: Running):
    """A person's token speaks as itself, whether the record says so or not; a gateway says for whom it speaks."""
    assert service.operator.send("level", record("level", "c-1", sender="operator")).status_code == 201
    assert service.operator.send("level", record("level", "c-1")).status_code == 200
    assert service.gateway.send("level", record("level", "c-1", sender="level-9")).status_code == 201
    assert set(told(service)) == {("operator", "c-1"), ("level-9", "c-1")}
    assert "sender" not in told(service)["operator", "c-1"]["content"]


def test_without_an_id_one_is_made(service: Running):
    """A record without an id gets one, which the receipt tells."""
    sent = record("count", "")
    del sent["id"]
    answer = service.operator.send("count", sent)
    assert answer.status_code == 201
    assert ("operator", answer.json["id"]) in told(service)


def test_a_file_and_the_service_mean_the_same_record(service: Running, tmp_path: Path):
    """A record loaded from a file is known when it is sent, numbers written otherwise and all."""
    from sandtrack.shop.loading import load

    file = tmp_path / "delivery.csv"
    file.write_text("id,sender,at,place,mass_t\nd-1,gate,2025-03-03 08:00,silo_new,24.60\n")
    with Shop.open(service.path, clock_is_right=True) as shop:
        load(shop.ledger, [file])
    content = {"at": "2025-03-03 08:00", "place": "silo_new", "mass_t": 24.6, "id": "d-1", "sender": "gate"}
    assert service.weighbridge.send("delivery", content).status_code == 200


def test_numbers_arrive_exactly(service: Running):
    """A number is what its digits say: 0.1 kg thrice is 0.3 kg, and more digits than can be kept are refused."""
    for name in ("a", "b", "c"):
        service.operator.send("delivery", record("delivery", name, gross_kg=1000.1, tare_kg=1000))
    stock = service.operator.get("/v1/stock?at=2025-03-31").json["values"]["stock_kg"]
    assert stock["silo_new"]["new_sand"] == 0.3
    answer = service.client.post(
        "/v1/records/count",
        data=b'{"id":"c","at":"2025-03-03","place":"silo_new","mass_kg":0.12345678901234567890}',
        content_type="application/json",
        headers=service.operator.headers,
    )
    is_problem(answer, 422, "bad_input", "has more digits than can be kept")


def test_a_clock_that_is_off_is_seen(service: Running):
    """With `sent_at` an hour behind, the record is booked at the corrected time, and the receipt says so."""
    assert NOW == 1_750_000_000_000_000
    sent = record("temperature", "l-1", at="2025-06-15T16:00:00+02:00", sent_at="2025-06-15T16:06:40+02:00")
    answer = service.operator.send("temperature", sent)
    assert answer.status_code == 201
    raised = [flag for flag in answer.json["flags"] if flag["code"] != "person_unknown"]  # the first of its sender
    assert [flag["code"] for flag in raised] == ["clock_off"]
    assert told(service)["operator", "l-1"]["at"].startswith("2025-06-15T17:00")


def test_a_clock_that_has_stopped_spoils_no_time(service: Running):
    """A device whose clock fell back to 1970 sends what a person dated: booked as told, the clock is told of."""
    sent = record("temperature", "l-1", at="2025-06-15T16:00:00+02:00", sent_at="1970-01-01T00:07:00Z")
    answer = service.operator.send("temperature", sent)
    assert answer.status_code == 201
    raised = [flag for flag in answer.json["flags"] if flag["code"] != "person_unknown"]  # the first of its sender
    assert [flag["code"] for flag in raised] == ["clock_off"]
    assert raised[0]["text"].endswith("min off; booked as told, at 2025-06-15T16:00+02:00")
    assert [flag["code"] for flag in service.operator.get("/v1/attention").json["flags"]].count("clock_off") == 1


@pytest.mark.parametrize(
    ("sent", "status", "code", "said"),
    [
        (b"", 400, "bad_json", "the text is not JSON"),
        (b"{", 400, "bad_json", "line 1, column 2"),
        (b"\xff\xfe{}", 400, "bad_json", "not UTF-8 (byte 0)"),
        (b"\xef\xbb\xbf{}", 400, "bad_json", "not JSON"),
        (b"{} {}", 400, "bad_json", "not JSON"),
        (b'{"mass_kg": NaN}', 400, "bad_json", "NaN is not a number"),
        (b'{"mass_kg": -Infinity}', 400, "bad_json", "-Infinity is not a number"),
        (b'{"id": "a", "id": "b"}', 400, "bad_json", "the name 'id' is there twice"),
        (b'{"of": {"\\ud800": 1, "\\ud800": 2}}', 400, "bad_json", "is there twice"),
        (b'{"mass_kg": ' + b"9" * 5000 + b"}", 400, "bad_json", "too many digits"),
        (b'{"mass_kg": 1e' + b"9" * 30 + b"}", 400, "bad_json", "too many digits"),
        (b"[" * 100_000, 400, "bad_json", "nested too deeply"),
        (b"[]", 422, "bad_input", "is not an object with fields"),
        (b"null", 422, "bad_input", "is not an object with fields"),
        (b'"count"', 422, "bad_input", "is not an object with fields"),
        (b"{}", 422, "bad_input", "place: is missing"),
        (b'{"mass_kg": 1e400}', 422, "bad_input", "mass_kg"),
        (b'{"id": ["a"], "at": "2025-03-03", "place": "silo_new", "mass_kg": 1}', 422, "bad_input", "id: "),
        (b'{"sender": {}, "at": "2025-03-03", "place": "silo_new", "mass_kg": 1}', 422, "bad_input", "sender: "),
        (b'{"sent_at": 5, "at": "2025-03-03", "place": "silo_new", "mass_kg": 1}', 422, "bad_input", "sent_at: "),
        (b'{"id": "\\ud800", "at": "2025-03-03", "place": "silo_new", "mass_kg": 1}', 422, "bad_input", "id: "),
        (b'{"\\udcff": 1, "at": "2025-03-03", "place": "silo_new"}', 422, "bad_input", "is not a field here"),
        (b'{"kind": "level", "at": "2025-03-03"}', 422, "bad_input", "is not the kind of this address"),
        (b'{"at": "2025-03-03", "place": "silo_nwe", "mass_kg": 1}', 422, "bad_input", "is not among the places"),
        (b'{"at": "2025-03-03", "place": "silo_new", "mass": "1 ton"}', 422, "bad_input", "has three meanings"),
    ],
)
def test_what_cannot_be_used_is_refused(standing: Running, sent: bytes, status: int, code: str, said: str):
    """What is no JSON is 400, what is no record is 422, each says why, and nothing is kept."""
    answer = standing.client.post(
        "/v1/records/count", data=sent, content_type="application/json", headers=standing.manager.headers
    )
    is_problem(answer, status, code, said)
    assert told(standing) == {}


def test_everything_that_is_wrong_is_said_at_once(standing: Running):
    """A record with several faults is answered with all of them, field by field, with what would do."""
    body = is_problem(
        standing.manager.send("delivery", {"at": "noon", "place": "Silo", "mass_kg": -3, "tickt": "1"}),
        422,
        "bad_input",
    )
    assert {one["field"] for one in body["problems"]} == {"at", "place", "mass_kg", "tickt"}
    assert next(one for one in body["problems"] if one["field"] == "tickt")["accepted"] == "did you mean ticket?"
    assert next(one for one in body["problems"] if one["field"] == "mass_kg")["value"] == "-3"


@pytest.mark.parametrize(
    ("headers", "status", "code", "header"),
    [
        ({"Content-Type": "text/plain"}, 415, "unsupported_media_type", ("Accept", "application/json")),
        (
            {"Content-Type": "application/x-www-form-urlencoded"},
            415,
            "unsupported_media_type",
            ("Accept", "application/json"),
        ),
        ({}, 415, "unsupported_media_type", ("Accept", "application/json")),
        (
            {"Content-Type": "application/json", "Content-Encoding": "gzip"},
            415,
            "unsupported_media_type",
            ("Accept-Encoding", "identity"),
        ),
    ],
)
def test_another_media_type_is_refused(
    standing: Running, headers: dict[str, str], status: int, code: str, header: tuple[str, str]
):
    """A body of another type or coding is 415, with what is accepted (RFC 9110, 15.5.16)."""
    answer = standing.client.post(
        "/v1/records/count", data=json.dumps(record("count", "c")), headers=standing.manager.headers | headers
    )
    is_problem(answer, status, code)
    assert answer.headers[header[0]] == header[1]
    assert told(standing) == {}


def test_while_another_program_writes(service: Running):
    """A record is told soon to come again, questions are answered meanwhile, and sent again it is taken."""
    store = service.app.extensions["sandtrack"].shop.ledger.store
    assert store.wait_s <= 5  # all threads of the server may be waiting, and then questions do too
    store.wait_s = 0.05
    with closing(Ledger.open(service.path)) as other, other.store.writing():
        answer = service.operator.send("count", record("count", "c"))
        is_problem(answer, 503, "busy", "shop.sandtrack is busy: ")
        assert answer.headers["Retry-After"] == "5"
        assert service.operator.get("/v1/stock").status_code == 200
    assert service.operator.send("count", record("count", "c")).status_code == 201


def test_a_charset_may_be_said(service: Running):
    """`application/json; charset=utf-8` is JSON."""
    answer = service.client.post(
        "/v1/records/count",
        data=json.dumps(record("count", "c")),
        content_type="application/json; charset=utf-8",
        headers=service.manager.headers,
    )
    assert answer.status_code == 201


def test_a_body_that_is_too_long_is_refused(standing: Running):
    """A record of more than four million bytes is 413."""
    answer = standing.client.post(
        "/v1/records/count",
        data=b'{"note": "' + b"x" * 4_000_000 + b'"}',
        content_type="application/json",
        headers=standing.manager.headers,
    )
    is_problem(answer, 413, "too_large", "longer than 4000000 bytes")


def test_arguments_are_refused(service: Running):
    """Recording takes no arguments in the address."""
    answer = service.client.post("/v1/records/count?dry=1", json=record("count", "c"), headers=service.manager.headers)
    is_problem(answer, 400, "bad_request", "dry is no parameter here")
    assert told(service) == {}


def test_an_unknown_kind_is_named(standing: Running):
    """A kind that there is not is 404 with the nearest one; what can only be posted is not got."""
    is_problem(standing.manager.send("delivry", {}), 404, "not_found", "did you mean delivery?")
    answer = standing.manager.get("/v1/records/delivery")
    is_problem(answer, 405, "method_not_allowed", "GET does not go with /v1/records/delivery")
    assert "POST" in answer.headers["Allow"]
