"""Tables given out over HTTP: numbered once however often sent, told again by number, and by whom."""

from __future__ import annotations

from typing import Any

import pytest

from sandtrack.shop import Shop

from .clients import Running, is_problem
from .samples import ORDER


def states(service: Running) -> list[tuple[int, str]]:
    """Numbers and states of the tables given out, the latest first."""
    listed = service.moulder.get("/v1/tables").json["values"]["tables"]
    return [(one["number"], one["state"]) for one in listed]


def test_a_table_is_given_out(service: Running):
    """201 with number, receipt, the table as GET tells it, and where it is found: there as it was, with an ETag."""
    asked = "mixer=m1&binder_system=furan&lowest_c=15&highest_c=25&step_c=5"
    told = service.operator.get(f"/v1/table?{asked}").json["values"]
    answer = service.operator.issue(ORDER)
    assert answer.status_code == 201, answer.text
    assert answer.headers["Cache-Control"] == "no-store"
    body = answer.json
    assert body["number"] == 1
    assert (body["receipt"]["kind"], body["receipt"]["sender"], body["receipt"]["new"]) == (
        "table_issued", "operator", True,
    )  # fmt: skip
    assert body["table"]["values"] == told
    assert {"resin", "catalyst"} < set(told["rows"][-1]["flows_kg_min"])
    found = service.moulder.get(answer.headers["Location"])
    (kept,) = found.json["values"]["tables"]
    assert (kept["number"], kept["by"], kept["state"]) == (1, "operator", "valid")
    assert [row.get("flows_kg_min") for row in kept["rows"]] == [row.get("flows_kg_min") for row in told["rows"]]
    again = service.moulder.get(answer.headers["Location"], If_None_Match=found.headers["ETag"])
    assert (again.status_code, again.data) == (304, b"")


def test_sent_again_it_is_known(service: Running):
    """The same id: 200, the same number and rows, also when another table would be made by now; units do not matter."""
    first = service.operator.issue({**ORDER, "id": "t-1", "by": "ida"})
    service.clock.now += 3_600_000_000
    again = service.operator.issue({**ORDER, "id": "t-1", "by": "ida", "highest_c": 25})
    assert (first.status_code, again.status_code) == (201, 200)
    assert (again.json["number"], again.json["receipt"]["new"]) == (1, False)
    assert again.headers["Location"] == first.headers["Location"] == "/v1/tables?number=1"
    assert again.json["table"]["values"]["made_at"] == first.json["table"]["values"]["made_at"]
    for row, kept in zip(first.json["table"]["values"]["rows"], again.json["table"]["values"]["rows"], strict=True):
        assert kept == {name: value for name, value in row.items() if value not in ([], {})}
    assert states(service) == [(1, "valid")]


def test_another_order_under_an_id_is_a_conflict(service: Running):
    """409 with the fields that differ; under another sender the id is another."""
    service.operator.issue({**ORDER, "id": "t-1"})
    body = is_problem(service.operator.issue({**ORDER, "id": "t-1", "step_c": 2}), 409, "conflict")
    assert [problem["field"] for problem in body["problems"]] == ["step_c"]
    assert service.manager.issue({**ORDER, "id": "t-1", "step_c": 2}).json["number"] == 2


def test_without_an_id_each_is_a_table(service: Running):
    """Sent twice without an id there are two, and the later one takes the place of the first."""
    assert [service.operator.issue(ORDER).json["number"] for _ in range(2)] == [1, 2]
    assert states(service) == [(2, "valid"), (1, "superseded")]


def test_a_no_is_not_given_out(service: Running):
    """A minute to strip: 200 without number and receipt, why, and what would do; nothing is kept."""
    answer = service.operator.issue({**ORDER, "strip_time_min": 1, "id": "t-1"})
    assert answer.status_code == 200
    assert (answer.json["number"], answer.json["receipt"]) == (None, None)
    assert answer.json["table"]["because"]
    assert answer.json["table"]["instead"]
    assert "Location" not in answer.headers
    assert states(service) == []


def test_a_device_gets_its_own_numbered_table(service: Running):
    """By its own token a device has a table given out, asks for it again by number, and learns how long it holds."""
    answer = service.device.issue({**ORDER, "id": "t-1"})
    assert answer.status_code == 201, answer.text
    assert (answer.json["number"], answer.json["receipt"]["sender"]) == (1, "m1")
    # The demo shop's tables hold for 24 h; an answer may be a minute old when it is read: 24 x 3600 - 60.
    assert answer.json["table"]["values"]["expires_in_s"] == 86_340
    for path in (answer.headers["Location"], "/v1/tables"):
        (kept,) = service.device.get(path).json["values"]["tables"]
        assert (kept["number"], kept["by"], kept["expires_in_s"]) == (1, "m1", 86_340)
    service.clock.now += 23 * 3_600_000_000
    (kept,) = service.device.get("/v1/tables").json["values"]["tables"]
    assert kept["expires_in_s"] == 3_540
    service.clock.now += 3_600_000_000
    (kept,) = service.device.get("/v1/tables").json["values"]["tables"]
    assert (kept["state"], kept["expires_in_s"]) == ("expired", 0)


def test_a_device_gets_no_table_of_another_mixer(service: Running):
    """Another mixer's table is neither given out to a device nor shown to it, whatever it asks for."""
    is_problem(service.device.issue({**ORDER, "mixer": "m2", "id": "t"}), 403, "forbidden", "mixer is another")
    assert service.operator.issue({**ORDER, "mixer": "m2"}).json["number"] == 1
    assert service.moulder.get("/v1/tables").json["values"]["tables"] != []
    assert service.device.get("/v1/tables").json["values"]["tables"] == []
    assert service.device.get("/v1/tables?number=1").json["possible"] is False
    is_problem(service.device.get("/v1/tables?mixer=m2"), 403, "forbidden", "mixer is another")


def test_a_device_s_order_has_an_id(service: Running):
    """Sent again without an id it would be a second table."""
    is_problem(service.device.issue(ORDER), 422, "bad_input", "id: is missing")
    assert states(service) == []


def test_a_number_that_there_is_not(service: Running):
    """A number nobody gave out is answered with a "no"; one that is no number is 400."""
    answer = service.moulder.get("/v1/tables?number=9")
    assert (answer.status_code, answer.json["possible"]) == (200, False)
    assert answer.json["because"] == "there is no table 9, or it was withdrawn"
    is_problem(service.moulder.get("/v1/tables?number=one"), 400, "bad_input", "number: 'one'")


@pytest.mark.parametrize(
    ("changed", "code", "said"),
    [
        ({"lowest_c": None}, "bad_input", "lowest_c: is missing"),
        ({"at": "2025-03-31"}, "bad_input", "at: is not a field here"),
        ({"highest_c": 10}, "bad_input", "is below lowest_c"),
        ({"step_c": 0.1}, "bad_input", "makes 101 rows"),
        ({"chance": 2}, "bad_input", "chance: 2 is above 1"),
        ({"id": ["t"]}, "bad_input", "id: "),
        ({"id": None}, "bad_input", "id: 'null' holds nothing"),
        ({"sender": None}, "bad_input", "sender: 'null' holds nothing"),
        ({"sender": "ida"}, "forbidden", "sender is another"),
        ({"mixer": "m9"}, "unknown_name", "mixer 'm9' is not in the set-up"),
    ],
)
def test_an_order_that_makes_no_sense(standing: Running, changed: dict[str, Any], code: str, said: str):
    """What is missing, out of range or not in the set-up is 422, and nothing is kept."""
    status = 403 if code == "forbidden" else 422
    body = is_problem(standing.operator.issue({**ORDER, **changed}), status, code, said)
    if code == "unknown_name":
        assert [(one["field"], one["value"]) for one in body["problems"]] == [("mixer", "m9")]
    assert states(standing) == []


def test_a_table_given_out_here_is_found_by_the_library(service: Running):
    """The same book: its number goes on where the command line or a program has left it."""
    with Shop.open(service.path, clock=service.clock) as shop:
        assert shop.issue_table("m1", "furan", by="ida", lowest_c=15, highest_c=25).number == 1
    assert service.operator.issue(ORDER).json["number"] == 2
    with Shop.open(service.path, clock=service.clock) as shop:
        assert [one["number"] for one in shop.tables().values["tables"]] == [2, 1]
