"""What nobody may undo, forge or take over the service: each way tried, with what becomes of it."""

from __future__ import annotations

import json
import logging
import sqlite3
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sandtrack_api.roles import ROLES
from sandtrack_api.tokens import Tokens

from sandtrack.errors import InputErrors, ShopFileError
from sandtrack.shop import Shop

from .clients import BOUND, NOW, Caller, Clock, Running, is_problem
from .samples import record

HOUR_US = 3_600_000_000
MACHINES = tuple(BOUND)


def codes(answer: Any) -> list[str]:
    """Codes of an answer's or receipt's flags."""
    return [flag["code"] for flag in answer.json["flags"]]


def back(sender: str, record_id: str, **more: Any) -> dict[str, Any]:
    """A reversal of a record."""
    return {"id": f"back-{record_id}", "of": {"sender": sender, "id": record_id}, "reason": "a slip", **more}


def kept(service: Running, sender: str) -> list[dict[str, Any]]:
    """What the ledger holds of a sender, the latest first."""
    with Shop.open(service.path, clock=service.clock) as shop:
        found: list[dict[str, Any]] = shop.records(sender=sender, limit=1000).values["records"]
    return found


# -- withdrawing ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "by", "others"),
    [
        # Holds and what else blocks: those who may release (laboratory, manager). Else those who may record the kind.
        ("hold", "laboratory", {"operator": 403, "moulder": 403, "administrator": 403, "manager": 201}),
        ("hold", "moulder", {"moulder": 403, "laboratory": 201}),
        ("count", "manager", {"moulder": 403, "laboratory": 403, "administrator": 403, "operator": 201}),
        ("strip_check", "laboratory", {"administrator": 403, "moulder": 201}),
        ("sand_test", "laboratory", {"operator": 403, "laboratory": 201}),
        ("plant", "manager", {"operator": 403, "laboratory": 403, "administrator": 201}),
        ("table_issued", "manager", {"operator": 403, "laboratory": 403}),
        ("release", "laboratory", {"moulder": 403, "manager": 201}),
    ],
)
def test_another_s_record_is_withdrawn_only_by_who_may_record_it(
    service: Running, kind: str, by: str, others: dict[str, int]
):
    """Each role tries to withdraw what another recorded; alone and as a line."""
    assert getattr(service, by).send(kind, record(kind, "r-1")).status_code == 201
    for role, status in others.items():
        sent = {**back(by, "r-1"), "id": f"back-{role}"}
        if status == 403:
            line = getattr(service, role).send_lines(json.dumps({"kind": "reversal", **sent}).encode())
            assert json.loads(line.text)["problem"]["code"] == "forbidden"
            is_problem(getattr(service, role).send("reversal", sent), 403, "forbidden")
            assert kept(service, by)[0]["withdrawn"] is False
        else:
            assert getattr(service, role).send("reversal", sent).status_code == 201
            assert {one["id"]: one["withdrawn"] for one in kept(service, by)}["r-1"] is True


def test_what_blocks_is_not_lifted_by_withdrawing_it(service: Running):
    """A failed certificate and a wrong material block like a hold: the operator who recorded them lifts neither."""
    failed = record("delivery", "d-1", lot="L1", certificate={"passed": False})
    wrong = record("delivery", "d-2", place="silo_f", material="new_sand")
    for sent in (failed, wrong):
        assert service.operator.send("delivery", sent).status_code == 201
        answer = service.operator.send("reversal", back("operator", sent["id"]))
        is_problem(answer, 403, "forbidden", "only who may release withdraws it (laboratory, manager)")
    assert service.operator.send("delivery", record("delivery", "d-3")).status_code == 201
    assert service.operator.send("reversal", back("operator", "d-3")).status_code == 201


def test_a_hold_and_its_withdrawal_in_one_upload(service: Running):
    """The hold is not yet written when its reversal is judged: it blocks all the same."""
    sent = [{"kind": "hold", **record("hold", "h-1")}, {"kind": "reversal", **back("moulder", "h-1")}]
    answer = service.moulder.send_lines("\n".join(json.dumps(one) for one in sent).encode())
    assert [json.loads(line)["outcome"] for line in answer.text.splitlines()] == ["new", "refused"]


def test_a_withdrawn_hold_and_count_stand_in_the_attention_list(service: Running):
    """Withdrawn by whoever may, both are listed with who withdrew them; a withdrawn level is not."""
    for kind in ("hold", "count", "level"):
        assert service.manager.send(kind, record(kind, kind)).status_code == 201
        assert service.manager.send("reversal", back("manager", kind)).status_code == 201
    listed = [flag for flag in service.manager.get("/v1/attention").json["flags"] if "withdrawn" in flag["code"]]
    assert [(flag["code"], flag["subject"]) for flag in listed] == [
        ("hold_withdrawn", "hold"), ("count_withdrawn", "count"),
    ]  # fmt: skip
    assert all("was withdrawn by manager" in flag["text"] for flag in listed)


# -- speaking as somebody ---------------------------------------------------------------------------------------------


def test_a_person_s_token_speaks_as_itself(service: Running):
    """No person's and no machine's token names another sender; a gateway does, but not as somebody with a token."""
    for role in ROLES:
        if role in ("screen", "gateway", "administrator"):
            continue
        kind = next(kind for kind in ("level", "mix", "pour", "delivery", "reclaim_run", "sand_test")
                    if f"record:{kind}" in ROLES[role].permissions)  # fmt: skip
        answer = getattr(service, role).send(kind, record(kind, "x", sender="greta"))
        is_problem(answer, 403, "forbidden", "sender is another")
    assert service.gateway.send("level", record("level", "x", sender="level-9")).status_code == 201
    is_problem(service.gateway.send("level", record("level", "x", sender="manager")), 403, "forbidden", "has a token")


def test_a_person_s_name_is_left_to_nobody_when_the_token_lapses(service: Running):
    """Expired or revoked, by whatever capitals: no gateway records as them, nor takes their next ids."""
    service.tokens.make(role="laboratory", name="Lena", expires=NOW + HOUR_US)
    token, _ = service.tokens.make(role="laboratory", name="olle")
    service.tokens.revoke(token.id)
    service.clock.now += 2 * HOUR_US
    for name in ("Lena", "lena", "LENA", "olle"):
        answer = service.gateway.send("sand_test", record("sand_test", "s-1", sender=name))
        is_problem(answer, 403, "forbidden", "has a token, or had one")
    _, text = service.tokens.make(role="laboratory", name="Lena")
    assert Caller(service.client, text).send("sand_test", record("sand_test", "s-1")).status_code == 201


def test_the_token_that_brought_a_record_is_kept_with_it(service: Running):
    """Its id stands with the record, by itself and by lines, and by a table given out; verify finds nothing wrong."""
    service.operator.send("level", record("level", "x"))
    service.operator.send_lines(json.dumps({"kind": "level", **record("level", "y")}).encode())
    service.operator.issue({"mixer": "m1", "binder_system": "furan", "lowest_c": 15, "highest_c": 25, "id": "t"})
    own = service.texts["operator"].partition(".")[0]
    assert {(one["id"], one["token"]) for one in kept(service, "operator")} == {("x", own), ("y", own), ("t", own)}
    with Shop.open(service.path) as shop:
        assert shop.verify() == []


@pytest.mark.parametrize(
    ("role", "by", "marks"),
    [("moulder", "moulder", None), ("moulder", "ida", ["by_not_proven"]), ("moulder", None, None),
     ("tablet", "KB", ["by_not_proven"]), ("gateway", "ida", ["by_not_proven"])],
)  # fmt: skip
def test_whoever_is_only_named_is_marked_as_not_proven(service: Running, role: str, by: str | None, marks: Any):
    """`by` is proven where it is the token's own name; initials on a tablet are not."""
    sent = record("strip_check", "s", mixer="m1") | ({} if by is None else {"by": by})
    assert getattr(service, role).send("strip_check", sent).status_code == 201
    (found,) = kept(service, BOUND.get(role, {"name": role})["name"])
    assert found.get("marks") == marks


def test_a_machine_s_name_is_its_own(service: Running):
    """No other token is made with a machine's name, nor a machine's with somebody's; the same machine may have two."""
    for given in (
        {"role": "operator", "name": "m1"},
        {"role": "device", "name": "m1", "mixer": "m2"},
        {"role": "gateway", "name": "m1"},
        {"role": "weighbridge", "name": "operator"},
    ):
        with pytest.raises(InputErrors) as caught:
            service.tokens.make(**given)
        assert [problem.field for problem in caught.value.problems] == ["name"]
    service.tokens.make(role="device", name="m1", mixer="m1")
    service.tokens.make(role="moulder", name="operator")


# -- a machine's ids --------------------------------------------------------------------------------------------------


def test_a_forged_id_does_not_stop_the_machine(service: Running):
    """Its id used by a file: what the machine sends is kept under another id, told it, flagged, and known again."""
    with Shop.open(service.path, clock=service.clock) as shop:
        forged = {name: value for name, value in record("mix", "", moulds=["8"]).items() if name != "id"}
        shop.log("mix", forged, sender="m1", id="seq-1001")
    real = record("mix", "seq-1001")
    first = service.device.send("mix", real)
    assert (first.status_code, first.json["new"]) == (201, True)
    assert "id_taken" in codes(first)
    assert first.json["id"].startswith("seq-1001~")
    again = service.device.send("mix", real)
    assert (again.status_code, again.json["id"]) == (200, first.json["id"])
    by_line = json.loads(service.device.send_lines(json.dumps({"kind": "mix", **real}).encode()).text)
    assert (by_line["outcome"], by_line["id"]) == ("known", first.json["id"])
    found = service.device.get(first.headers["Location"]).json["values"]["records"]
    assert [(one["own_id"], one["content"]["moulds"]) for one in found] == [("seq-1001", ["7"])]
    listed = [
        flag["subject"] for flag in service.manager.get("/v1/attention").json["flags"] if flag["code"] == "id_taken"
    ]
    assert listed == [first.json["id"]]
    # Its own reversal by the id it gave would withdraw the forged one: it is told that this is another's.
    is_problem(service.device.send("reversal", back("m1", "seq-1001")), 403, "forbidden", "is another's")
    assert service.device.send("reversal", back("m1", first.json["id"])).status_code == 201
    with Shop.open(service.path) as shop:
        assert shop.verify() == []


def test_a_machine_s_own_id_used_again_is_a_conflict(service: Running):
    """Other content under an id that its own token brought, or its token of earlier days: 409."""
    assert service.device.send("mix", record("mix", "1")).status_code == 201
    assert service.device.send("mix", record("mix", "2")).status_code == 201
    _, text, _ = service.tokens.rotate(service.texts["device"].partition(".")[0], overlap_us=0)
    newer = Caller(service.client, text)
    for record_id in ("1", "2"):
        is_problem(newer.send("mix", record("mix", record_id, moulds=["9"])), 409, "conflict")
        assert newer.send("mix", record("mix", record_id)).status_code == 200


def test_a_gateway_takes_no_id_of_a_machine_that_sends_for_itself(service: Running):
    """The same by either way is one record; another under that id is kept beside it and flagged."""
    assert service.gateway.send("mix", record("mix", "1", sender="m1")).status_code == 201
    assert service.device.send("mix", record("mix", "1")).status_code == 200
    real = service.device.send("mix", record("mix", "1", moulds=["9"]))
    assert (real.status_code, "id_taken" in codes(real)) == (201, True)
    assert service.device.send("mix", record("mix", "1", moulds=["9"])).status_code == 200
    assert service.device.send("mix", record("mix", "2")).status_code == 201
    forged = service.gateway.send("mix", record("mix", "2", sender="m1", moulds=["9"]))
    assert (forged.status_code, "id_taken" in codes(forged)) == (201, True)
    is_problem(service.device.send("mix", record("mix", "2", moulds=["9"])), 409, "conflict")
    is_problem(service.gateway.send("mix", record("mix", "1", sender="m1", moulds=["8"])), 409, "conflict")


@pytest.mark.parametrize("role", MACHINES)
def test_a_machine_s_record_has_an_id(service: Running, role: str):
    """Without one each sending would be a record: refused, by itself and as a line, and nothing is kept."""
    kind = next(kind for kind in ("level", "mix", "pour", "delivery", "reclaim_run")
                if f"record:{kind}" in ROLES[role].permissions)  # fmt: skip
    sent = record(kind, "x")
    del sent["id"]
    is_problem(getattr(service, role).send(kind, sent), 422, "bad_input", "id: is missing: sent again without it")
    line = getattr(service, role).send_lines(json.dumps({"kind": kind, **sent}).encode())
    assert json.loads(line.text)["problem"]["problems"][0]["field"] == "id"
    assert kept(service, BOUND[role]["name"]) == []


@pytest.mark.parametrize("field", ["id", "sender", "sent_at", "age_s", "kind"])
def test_null_in_what_a_record_is_sent_in_is_refused(standing: Running, field: str):
    """`"id": null` taken as no id would double at each retry: refused by name, by itself and as a line."""
    sent = {"kind": "count", **record("count", "x"), field: None}
    body = is_problem(standing.manager.send("count", sent), 422, "bad_input", "holds nothing")
    assert [one["field"] for one in body["problems"]] == [field]
    line = json.loads(standing.manager.send_lines(json.dumps(sent).encode()).text)
    assert [one["field"] for one in line["problem"]["problems"]] == [field]
    assert kept(standing, "manager") == []


@pytest.mark.parametrize("field", ["id", "sender"])
@pytest.mark.parametrize("value", ["", " ", 7.5, True, [], {}, "a;b", "x" * 101])
def test_what_is_no_name_is_refused(standing: Running, field: str, value: Any):
    """An empty text, a number and what else is no name: refused by name."""
    body = is_problem(standing.manager.send("count", record("count", "x") | {field: value}), 422, "bad_input")
    assert [one["field"] for one in body["problems"]] == [field]


def test_null_in_content_is_as_left_out(service: Running):
    """In content null says nothing: the same record with and without it is one, and what must be there is missing."""
    assert service.manager.send("count", record("count", "x", note=None)).status_code == 201
    assert service.manager.send("count", record("count", "x")).status_code == 200
    body = is_problem(service.manager.send("count", record("count", "y", mass_kg=None)), 422, "bad_input")
    assert [one["field"] for one in body["problems"]] == ["mass_kg"]
    body = is_problem(service.manager.send("pour", record("pour", "y", moulds=["7", None])), 422, "bad_input")
    assert [one["field"] for one in body["problems"]] == ["moulds"]


def test_a_whole_number_is_an_id(service: Running):
    """A machine's running number is the same id as its digits: sent again either way it is known."""
    assert service.device.send("mix", record("mix", "x", id=7)).json["id"] == "7"
    assert service.device.send("mix", record("mix", "x", id="7")).status_code == 200


@pytest.mark.parametrize(
    ("method", "path", "said"),
    [
        ("post", "/v1/records/count", "Send it again with the same id"),
        ("post", "/v1/tables", "Send it again with the same id"),
        ("post", "/v1/records", "Send the whole upload again"),
        ("get", "/v1/stock", "Ask again"),
    ],
)
def test_what_is_said_about_sending_again_is_true_of_each_route(service: Running, method: str, path: str, said: str):
    """After a failure of our own: a record without an id may be kept twice, an upload is known line by line."""
    service.app.config["PROPAGATE_EXCEPTIONS"] = False
    service.app.view_functions[service.app.url_map.bind("").match(path, method.upper())[0]] = lambda: 1 / 0
    answer = getattr(service.client, method)(path, headers=service.manager.headers)
    is_problem(answer, 500, "internal_error", said)


def test_a_forged_id_and_an_age_make_no_second_record(service: Running):
    """Sent again at another age, its time is reckoned anew, to the millisecond another: it is known all the same."""
    with Shop.open(service.path, clock=service.clock) as shop:
        forged = {name: value for name, value in record("mix", "", moulds=["8"]).items() if name != "id"}
        shop.log("mix", forged, sender="m1", id="seq-1")
    sent = {name: value for name, value in record("mix", "seq-1").items() if name != "at"}
    ids = set()
    for age_s in (10, 70.4, 131.9):
        ids.add(service.device.send("mix", {**sent, "age_s": age_s}).json["id"])
        service.clock.now += HOUR_US // 60
    line = json.dumps({"kind": "mix", **sent, "age_s": 188.25}).encode()
    ids.add(json.loads(service.device.send_lines(line).text)["id"])
    assert len(ids) == 1
    assert len(kept(service, "m1")) == 2
    assert service.device.send("mix", {**sent, "moulds": ["9"], "age_s": 5}).json["id"] not in ids


# -- a machine's time -------------------------------------------------------------------------------------------------


def test_a_machine_without_a_clock_sends_the_age(service: Running):
    """90 s old: booked 90 s before it came; sent again later it is known, and another content is a conflict."""
    sent = record("temperature", "1", age_s=90)
    del sent["at"]
    first = service.device.send("temperature", sent)
    assert first.status_code == 201, first.text
    (found,) = kept(service, "m1")
    # The clock of these tests stands at 17:06:40: 90 s before that is 17:05:10.
    assert found["at"] == "2025-06-15T17:05:10+02:00"
    assert found["marks"] == ["by_age"]
    service.clock.now += HOUR_US
    assert service.device.send("temperature", {**sent, "age_s": 3690}).status_code == 200
    is_problem(service.device.send("temperature", {**sent, "value_c": 9}), 409, "conflict")
    by_line = service.device.send_lines(json.dumps({"kind": "temperature", **sent, "age_s": 1}).encode())
    assert json.loads(by_line.text)["outcome"] == "known"
    with Shop.open(service.path) as shop:
        assert shop.verify() == []


@pytest.mark.parametrize("off_h", [-30 * 365 * 24, -2, 2, 30 * 365 * 24])
@pytest.mark.parametrize("at_too", [False, True])
def test_an_age_goes_before_a_clock_that_is_off(service: Running, off_h: int, at_too: bool):
    """60 s old by its own count, whatever its clock shows as it sends: booked a minute before it came, its clock seen.

    The clock of these tests stands at 17:06:40. Beside a time, that of the event is by the same clock before it was
    set: an hour off, when it sends it is right again or off by years.
    """
    shown = datetime.fromisoformat("2025-06-15T17:06:40+02:00") + timedelta(hours=off_h)
    sent = {**record("temperature", "1"), "sent_at": shown.isoformat(), "age_s": 60}
    if at_too:
        sent["at"] = "2025-06-15T18:05:40+02:00"
    else:
        del sent["at"]
    assert service.device.send("temperature", sent).status_code == 201
    (found,) = kept(service, "m1")
    assert found["at"] == "2025-06-15T17:05:40+02:00"
    assert found.get("own_at") == (sent["at"] if at_too else None)
    with Shop.open(service.path) as shop:
        assert shop.verify() == []


def test_an_age_beside_a_time_sets_that_right(service: Running):
    """A clock that stands at 1970 and an age of 60 s: booked a minute before it came, its own time kept."""
    sent = record("temperature", "1", at="1970-01-01T00:07:00Z", age_s=60)
    assert service.device.send("temperature", sent).status_code == 201
    (found,) = kept(service, "m1")
    assert (found["at"], found["own_at"]) == ("2025-06-15T17:05:40+02:00", "1970-01-01T01:07:00+01:00")
    assert "marks" not in found
    service.clock.now += HOUR_US
    assert service.device.send("temperature", {**sent, "age_s": 3660}).status_code == 200


@pytest.mark.parametrize("age", [-1, "soon", 40_000_000, [], True])
def test_an_age_that_cannot_be_is_refused(standing: Running, age: Any):
    """Negative, no number, or more than 400 days (34,560,000 s)."""
    body = is_problem(standing.device.send("temperature", record("temperature", "x", age_s=age)), 422, "bad_input")
    assert [one["field"] for one in body["problems"]] == ["age_s"]


def test_an_age_needs_an_id(standing: Running):
    """A person's record with an age and without an id would be another at each sending."""
    sent = record("level", "", age_s=5)
    del sent["id"]
    is_problem(standing.operator.send("level", sent), 422, "bad_input", "id: is missing beside age_s")


@pytest.mark.parametrize("at", ["1970-01-01T00:07:00Z", "2000-01-01T00:00:00Z", "2099-01-01T12:00:00Z"])
def test_a_time_that_a_machine_cannot_have_seen_is_not_booked(service: Running, at: str):
    """Booked as it came, its own time kept, flagged, listed; known when sent again, and by whom it matters not."""
    sent = record("temperature", "1", at=at)
    first = service.device.send("temperature", sent)
    assert (first.status_code, codes(first)) == (201, ["at_arrival"])
    (found,) = kept(service, "m1")
    assert found["at"] == "2025-06-15T17:06:40+02:00"
    assert found["own_at"][:4] == at[:4]
    assert found["marks"] == ["at_arrival"]
    assert found["content"]["at"] == at
    service.clock.now += HOUR_US
    assert service.device.send("temperature", sent).status_code == 200
    line = service.device.send_lines(json.dumps({"kind": "temperature", **sent, "id": "2"}).encode())
    assert [flag["code"] for flag in json.loads(line.text)["flags"]] == ["at_arrival"]
    attention = service.manager.get("/v1/attention").json["flags"]
    assert [(flag["code"], flag["subject"]) for flag in attention] == [("at_arrival", "m1")]
    with Shop.open(service.path) as shop:
        assert shop.verify() == []


def test_a_time_that_a_machine_cannot_have_seen_is_used_for_nothing(service: Running):
    """A reading whose time is not known is no temperature of the sand of now."""
    asked = "/v1/setting?mixer=m1&binder_system=furan"
    service.device.send("temperature", record("temperature", "1", at="1970-01-01T00:07:00Z"))
    assert service.device.get(asked).json["possible"] is False
    service.device.send("temperature", record("temperature", "2", at="2025-06-15T17:00:00+02:00"))
    assert service.device.get(asked).json["values"]["sand_temp_c"] == 18.5


def test_what_a_person_dates_is_booked_as_dated(service: Running):
    """Someone types what happened years ago: only machines' times are doubted."""
    assert service.operator.send("level", record("level", "1", at="2021-01-01T08:00:00Z")).status_code == 201
    assert kept(service, "operator")[0]["at"] == "2021-01-01T09:00:00+01:00"


# -- a machine's own records ------------------------------------------------------------------------------------------


def test_the_location_answers_to_its_sender(service: Running):
    """Each machine finds its own record where its receipt says, and no other sender's."""
    for role in MACHINES:
        kind = next(kind for kind in ("level", "mix", "pour", "delivery", "reclaim_run")
                    if f"record:{kind}" in ROLES[role].permissions)  # fmt: skip
        caller = getattr(service, role)
        receipt = caller.send(kind, record(kind, f"{role}-1"))
        found = caller.get(receipt.headers["Location"]).json["values"]["records"]
        assert [one["id"] for one in found] == [f"{role}-1"]
        if role != "gateway":
            is_problem(caller.get("/v1/records?sender=manager"), 403, "forbidden", "sender is another")
            assert {one["sender"] for one in caller.get("/v1/records").json["values"]["records"]} == {
                BOUND[role]["name"]
            }


def test_a_kept_answer_is_not_given_to_another_machine(service: Running):
    """Two machines at one mixer ask the same: each is told its own."""
    service.tablet.send("temperature", record("temperature", "t"))
    service.device.send("temperature", record("temperature", "d"))
    for caller, own in ((service.tablet, "t"), (service.device, "d"), (service.tablet, "t")):
        assert [one["id"] for one in caller.get("/v1/records").json["values"]["records"]] == [own]


def test_what_arrived_since_an_id(service: Running):
    """In the order of recording, whatever the times; of an id that did not arrive there is a "no"."""
    for number, hour in (("1", 12), ("2", 9), ("3", 11)):
        service.device.send("temperature", record("temperature", number, at=f"2025-06-15T{hour:02}:00:00+02:00"))
    service.operator.send("level", record("level", "o"))
    found = service.device.get("/v1/records?since_id=1").json["values"]["records"]
    assert {one["id"] for one in found} == {"2", "3"}
    assert service.device.get("/v1/records?since_id=3").json["values"]["records"] == []
    answer = service.device.get("/v1/records?since_id=4").json
    assert (answer["possible"], answer["because"]) == (False, "there is no record '4' of m1")
    is_problem(service.manager.get("/v1/records?since_id=1"), 400, "bad_input", "sender: is missing beside since_id")


def test_a_tablet_withdraws_its_own_within_an_hour(service: Running):
    """Its own slip at once, not the record of another nor of two hours ago."""
    for number in ("1", "2"):
        service.tablet.send("pour", record("pour", number))
    service.moulder.send("pour", record("pour", "3"))
    assert service.tablet.send("reversal", back("wall-1", "1")).status_code == 201
    is_problem(service.tablet.send("reversal", back("moulder", "3")), 403, "forbidden", "its own records alone")
    service.clock.now += HOUR_US + 1
    is_problem(service.tablet.send("reversal", back("wall-1", "2")), 403, "forbidden", "more than 1 h ago")


@pytest.mark.parametrize(
    ("role", "kind", "changed"),
    [
        ("tablet", "strip_check", {}),  # without a mixer it counts for each
        ("tablet", "temperature", {"mixer": "m2"}),
        ("sensor", "level", {"place": "silo_f"}),
        ("sensor", "temperature", {"place": "silo_new"}),  # of the mixed sand
        ("sensor", "temperature", {"what": "place", "place": "silo_f"}),
        ("sensor", "temperature", {"what": "place"}),
        ("reclaimer", "reclaim_run", {"reclaimer": "reclaimer_e"}),
        ("device", "mix", {"mixer": "m2"}),
    ],
)
def test_a_machine_speaks_of_its_own_alone(standing: Running, role: str, kind: str, changed: dict[str, Any]):
    """Of another mixer or place, or of none where that counts for each: refused."""
    is_problem(getattr(standing, role).send(kind, {**record(kind, "x"), **changed}), 403, "forbidden", "is bound to")


# -- tokens -----------------------------------------------------------------------------------------------------------


def test_a_token_expires(service: Running):
    """In force up to its end and not after; what it brought stays."""
    _, text = service.tokens.make(role="moulder", name="ida", expires=NOW + HOUR_US)
    caller = Caller(service.client, text)
    assert caller.get("/v1/moulds").status_code == 200
    service.clock.now += HOUR_US
    is_problem(caller.get("/v1/moulds"), 401, "unauthorized", "has expired")
    with pytest.raises(InputErrors):
        service.tokens.make(role="moulder", name="ida", expires=NOW)


@pytest.mark.parametrize("how", ["revoked", "expired"])
def test_a_token_that_ends_within_an_upload_brings_no_more(new_shop: Path, monkeypatch: pytest.MonkeyPatch, how: str):
    """What was written stays; from the next portion on nothing is taken, and the answer says so for each line of it."""
    monkeypatch.setattr("sandtrack_api.portions.LINES_AT_ONCE", 2)
    service = Running(new_shop)
    token, text = service.tokens.make(role="operator", name="olle", expires=NOW + HOUR_US)
    sent = "\n".join(json.dumps({"kind": "level", **record("level", str(number))}) for number in range(6))
    answer = service.client.post(
        "/v1/records", data=sent, content_type="application/x-ndjson", headers={"Authorization": f"Bearer {text}"}
    )
    portions = iter(answer.response)
    lines = next(portions)
    if how == "revoked":
        service.tokens.revoke(token.id)
    else:
        service.clock.now += HOUR_US
    outcomes = [json.loads(line) for line in (lines + b"".join(portions)).splitlines()]
    assert [one["outcome"] for one in outcomes] == ["new", "new", "failed", "failed"]
    assert outcomes[2]["problem"]["code"] == "forbidden"
    assert len(kept(service, "olle")) == 2
    service.close()


def test_a_token_is_rotated(service: Running):
    """Both are in force while the device is changed over, then the new one alone, for as long as the old was made."""
    made, text = service.tokens.make(role="device", name="m2", mixer="m2", expires=NOW + 100 * HOUR_US)
    service.clock.now += 10 * HOUR_US
    new, new_text, old = service.tokens.rotate(made.id, overlap_us=HOUR_US)
    assert (new.role, new.name, new.mixer, new.expires) == ("device", "m2", "m2", NOW + 110 * HOUR_US)
    assert old.expires == NOW + 11 * HOUR_US
    assert [service.tokens.find(one) is not None for one in (text, new_text)] == [True, True]
    service.clock.now += HOUR_US
    assert [service.tokens.find(one) is not None for one in (text, new_text)] == [False, True]
    for wrong in (made.id, "nothing"):
        with pytest.raises(InputErrors):
            service.tokens.rotate(wrong, overlap_us=0)


def test_a_file_of_tokens_from_before_is_read_and_brought_up_to_date(tmp_path: Path):
    """A file of version 1 lets in as before; the first token made brings it to version 2; a newer one is refused."""
    tokens = Tokens.beside(tmp_path / "shop", Clock())
    made, text = tokens.make(role="operator", name="ida")
    with closing(sqlite3.connect(tokens.path)) as raw, raw:
        for column in ("place", "expires"):
            raw.execute(f"ALTER TABLE token DROP COLUMN {column}")
        raw.execute("PRAGMA user_version=0")
    old = Tokens.beside(tmp_path / "shop", Clock())
    assert old.find(text) == made
    assert old.revoke(made.id).revoked is not None
    other, _ = old.make(role="sensor", name="s", place="silo_new")
    assert {token.id for token in old.listed()} == {made.id, other.id}
    with closing(sqlite3.connect(tokens.path)) as raw, raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (2,)
        raw.execute("PRAGMA user_version=3")
    with pytest.raises(ShopFileError, match="newer sandtrack"):
        Tokens.beside(tmp_path / "shop", Clock()).listed()


# -- the log ----------------------------------------------------------------------------------------------------------


def test_refusals_are_logged_without_secrets(service: Running, caplog: pytest.LogCaptureFixture):
    """Each 401 and 403 is a line with address and route; no token, no address as it was typed, no content."""
    secret = service.texts["operator"].partition(".")[2]
    service.tokens.revoke(service.texts["laboratory"].partition(".")[0])
    with caplog.at_level(logging.WARNING, "sandtrack_api.refusals"):
        service.nobody.get("/v1/stock")
        service.client.get("/v1/stock", headers={"Authorization": f"Bearer x.{secret}"})
        service.client.get(f"/v1/{secret}?access_token={secret}")
        service.laboratory.get("/v1/stock")
        service.moulder.send("release", record("release", "x", note=secret))
        service.moulder.send_lines(json.dumps({"kind": "count", **record("count", "x", note=secret)}).encode())
        assert service.operator.get("/v1/stock").status_code == 200
    lines = [one.getMessage() for one in caplog.records if one.name == "sandtrack_api.refusals"]
    lab, moulder = (service.texts[role].partition(".")[0] for role in ("laboratory", "moulder"))
    assert lines == [
        "401 GET /v1/stock from 127.0.0.1: no token",
        "401 GET /v1/stock from 127.0.0.1: unknown",
        "401 GET no such route from 127.0.0.1: no token",
        f"401 GET /v1/stock from 127.0.0.1 token {lab}: revoked",
        f"403 POST /v1/records/release from 127.0.0.1 token {moulder} (moulder): may not record:release",
        f"403 POST /v1/records from 127.0.0.1 token {moulder} (moulder): may not record:count, 1 lines",
    ]
    assert secret not in caplog.text


# -- names in a question ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ("setting?mixer=m9&binder_system=furan&sand_temp_c=18", "mixer"),
        ("setting?mixer=m1&binder_system=furam&sand_temp_c=18", "binder_system"),
        ("setting?mixer=m1&binder_system=furan&sand_temp_c=18&pattern=p999", "pattern"),
        ("table?mixer=m9&binder_system=furan&lowest_c=5&highest_c=30", "mixer"),
        ("tables?mixer=m9", "mixer"),
        ("learned?binder_system=furam", "binder_system"),
        ("stopped?mixer=m9&binder_system=furan&minutes_ago=4", "mixer"),
        ("calibration?mixer=m9", "mixer"),
        ("audit?mixer=m9", "mixer"),
        ("records?place=silo_nwe", "place"),
    ],
)
def test_an_unknown_name_in_a_question_names_the_field(standing: Running, asked: str, field: str):
    """Which argument names what is not there, its value, and what there is."""
    answer = standing.manager.get(f"/v1/{asked}")
    body = is_problem(answer, 422, "unknown_name", "is not in the set-up")
    (problem,) = body["problems"]
    assert problem["field"] == field
    assert problem["value"] in asked
    assert problem["accepted"]


# -- dealt with -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "may"),
    [
        ("ended_empty", {"operator": 201, "moulder": 201, "laboratory": 201, "manager": 201}),
        ("resin_meets_acid", {"operator": 403, "moulder": 403, "laboratory": 201, "manager": 201}),
        ("held_poured", {"operator": 403, "moulder": 403, "laboratory": 201, "manager": 201}),
    ],
)
def test_only_who_may_release_says_that_a_danger_was_dealt_with(service: Running, code: str, may: dict[str, int]):
    """An item that can hurt nobody is dealt with by whoever makes moulds; a danger by who may release; by lines too."""
    for role, status in may.items():
        sent = record("dealt_with", f"done-{role}", code=code)
        line = getattr(service, role).send_lines(json.dumps({"kind": "dealt_with", **sent}).encode())
        if status == 403:
            assert json.loads(line.text)["problem"]["code"] == "forbidden"
            is_problem(getattr(service, role).send("dealt_with", sent), 403, "forbidden")
        else:
            assert json.loads(line.text)["outcome"] == "new"
            assert getattr(service, role).send("dealt_with", {**sent, "id": f"again-{role}"}).status_code == 201
