"""A list written as one mould: asked back of a person's token, booked and flagged from a device's."""

from __future__ import annotations

import json
from typing import Any

from .clients import Running, is_problem
from .samples import record


def mix(**more: Any) -> dict[str, Any]:
    return {**record("mix", "m1-1"), "moulds": ["118,119"], "patterns": None, "shares": None, **more}


def test_a_person_is_asked_and_a_device_is_booked(service: Running) -> None:
    """422 with the field for the operator, 201 with the flag for the mixer; by lines of an upload as well."""
    before = is_problem(service.operator.send("mix", mix(id="p-1", sender="operator")), 422, "bad_input")
    assert "moulds" in json.dumps(before)
    answer = service.device.send("mix", mix())
    assert answer.status_code == 201, answer.get_data(as_text=True)
    assert "mould_unclear" in [flag["code"] for flag in answer.get_json()["flags"]]
    line = json.dumps({"kind": "mix", **mix(id="p-2", sender="operator")}).encode()
    (told,) = [json.loads(one) for one in service.operator.send_lines(line).data.splitlines()]
    assert told["outcome"] == "refused"
    line = json.dumps({"kind": "mix", **mix(id="m1-2")}).encode()
    (told,) = [json.loads(one) for one in service.device.send_lines(line).data.splitlines()]
    assert told["outcome"] == "new"
