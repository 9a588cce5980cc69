"""Who may do what: each role with each permission, a device and what it is bound to, and nobody."""

from __future__ import annotations

import json
from typing import Any

import pytest
from sandtrack_api.roles import ASKS, ISSUE, RECORDS, ROLES

from sandtrack.records import KINDS

from .clients import BOUND, Running, is_problem
from .samples import ASKED, AT, ORDER, record

# Who may, written out by hand: c (screen) d(evice) t(ablet) s(ensor) w(eighbridge) r(eclaimer) y (gateway) o(perator)
# m(oulder) l(aboratory) g (manager) a(dministrator).
MAY = {
    "ask:stock": "comlga",
    "ask:cover": "comlga",
    "ask:moulds": "ctomlga",
    "ask:setting": "cdtomlga",
    "ask:stopped": "cdtomlga",
    "ask:learned": "comlga",
    "ask:table": "cdtomlga",
    "ask:tables": "cdtyomlga",
    "ask:attention": "comlga",
    "ask:brief": "comlga",
    "ask:records": "cdtswryomlga",
    "ask:rates": "olga",
    "ask:balance": "olga",
    "ask:calibration": "olga",
    "ask:audit": "olga",
    "ask:head": "olga",
    "record:delivery": "wyog",
    "record:transfer": "yog",
    "record:mix": "dyomg",
    "record:pour": "tyomg",
    "record:knock_out": "tyomg",
    "record:mould_scrap": "yomg",
    "record:castings": "yomg",
    "record:reclaim_run": "ryog",
    "record:disposal": "wyog",
    "record:count": "og",
    "record:level": "syog",
    "record:temperature": "dtsyomlg",
    "record:strip_check": "tyomlg",
    "record:sand_test": "ylg",
    "record:calibration": "olg",
    "record:exposure": "ylg",
    "record:hold": "omlg",
    "record:dealt_with": "omlg",
    "record:release": "lg",
    "record:table_issued": "g",
    "record:reversal": "dtswryomlga",
    "record:plant": "ga",
    "issue:table": "dolg",
}
LETTERS = {
    "c": "screen", "d": "device", "t": "tablet", "s": "sensor", "w": "weighbridge", "r": "reclaimer", "y": "gateway",
    "o": "operator", "m": "moulder", "l": "laboratory", "g": "manager", "a": "administrator",
}  # fmt: skip
OWN = {
    ("tablet", "strip_check"): {"mixer": "m1"},
    ("sensor", "temperature"): {"what": "place", "place": "silo_new", "mixer": None},
}
"""What a record must name to be of what its machine is bound to, where the samples leave it out."""


def own_record(role: str, kind: str, record_id: str, withdraws: str) -> dict[str, Any]:
    """A record of a kind that is the role's own to send; a reversal withdraws the record named."""
    made = {**record(kind, record_id), **OWN.get((role, kind), {})}
    if kind == "reversal":
        made["of"] = {"sender": BOUND.get(role, {"name": role})["name"], "id": withdraws}
    return made


def first_of(role: str) -> str:
    """A kind of which the role sends a record that it then withdraws."""
    return next(kind for kind in RECORDS if kind != "reversal" and f"record:{kind}" in ROLES[role].permissions)


def test_every_permission_is_tried():
    """The table of these tests has every role, question and kind that the service has."""
    assert set(LETTERS.values()) == set(ROLES)
    assert set(MAY) == {f"ask:{name}" for name in ASKS} | {f"record:{kind}" for kind in RECORDS} | {ISSUE}
    assert set(RECORDS) == {*KINDS, "plant"}


@pytest.mark.parametrize("role", LETTERS.values())
def test_each_role_may_do_its_own_and_nothing_else(service: Running, role: str):
    """Each question and each kind of record is answered to the roles that may, and 403 to all others."""
    caller = getattr(service, role)
    if role != "screen":
        kind = first_of(role)
        assert caller.send(kind, own_record(role, kind, "first", "")).status_code == 201
    for permission, letters in MAY.items():
        what, _, name = permission.partition(":")
        may = role in [LETTERS[letter] for letter in letters]
        if what == "ask":
            answer = caller.get(f"/v1/{name}?{ASKED[name]}")
        elif what == "issue":
            answer = caller.issue({**ORDER, "id": "t-1"})
        else:
            answer = caller.send(name, own_record(role, name, f"{role}-{name}", "first"))
        if may:
            assert answer.status_code in (200, 201), (permission, answer.text)
            continue
        said = f"a token of role {role} may not"
        body = is_problem(answer, 403, "forbidden", said)
        assert all(LETTERS[letter] in body["detail"] for letter in letters)
        # RFC 6750, section 3.1: insufficient_scope, with the scope needed.
        header = answer.headers["WWW-Authenticate"]
        assert header == f'Bearer realm="sandtrack", error="insufficient_scope", scope="{permission}"'


@pytest.mark.parametrize("role", [role for role in LETTERS.values() if role != "screen"])
def test_each_role_by_lines(service: Running, role: str):
    """In an upload each line stands by itself: what the role may not record is refused, the rest kept."""
    caller, kind = getattr(service, role), first_of(role)
    sent = [{"kind": kind, **own_record(role, kind, "first", "")}]
    sent += [{"kind": kind, **own_record(role, kind, f"l-{kind}", "first")} for kind in RECORDS]
    answer = caller.send_lines("\n".join(json.dumps(line) for line in sent).encode())
    _, *told = [json.loads(line) for line in answer.text.splitlines()]
    for kind, line in zip(RECORDS, told, strict=True):
        may = role in [LETTERS[letter] for letter in MAY[f"record:{kind}"]]
        assert line["outcome"] == ("new" if may else "refused"), line
        if not may:
            assert (line["problem"]["status"], line["problem"]["code"]) == (403, "forbidden")


def test_a_screen_uploads_nothing(standing: Running):
    """Who may record nothing is refused before a line is read."""
    is_problem(standing.screen.send_lines(b"{}"), 403, "forbidden", "a token of role screen may not record lines")


@pytest.mark.parametrize(
    ("kind", "changed", "field"),
    [
        ("mix", {"mixer": "m2"}, "mixer"),
        ("mix", {"sender": "m2"}, "sender"),
        ("temperature", {"mixer": "m2"}, "mixer"),
    ],
)
def test_a_device_speaks_of_its_own_mixer_as_its_own_sender(
    standing: Running, kind: str, changed: dict[str, object], field: str
):
    """A device's token cannot record for another mixer or as another sender."""
    answer = standing.device.send(kind, record(kind, "x", **changed))
    is_problem(answer, 403, "forbidden", f"{field} is another")


@pytest.mark.parametrize("left_out", [{}, {"mixer": None}])
def test_a_device_names_its_mixer_where_others_may_leave_it_out(service: Running, left_out: dict[str, object]):
    """A temperature that names no mixer counts for each: a device's must name its own, by lines too."""
    sent = {"id": "x", "at": AT, "what": "mixed_sand", "value_c": 33, **left_out}
    is_problem(service.device.send("temperature", sent), 403, "forbidden", "without mixer this counts for every one")
    by_lines = service.device.send_lines(json.dumps({"kind": "temperature", **sent}).encode())
    assert json.loads(by_lines.text)["problem"]["code"] == "forbidden"
    assert service.device.send("temperature", {**sent, "mixer": "m1"}).status_code == 201
    assert service.moulder.send("temperature", {**sent, "id": "y"}).status_code == 201


def test_a_device_asks_for_its_own_mixer_alone(service: Running):
    """The set-point of another mixer is 403 also when somebody else has just been told it."""
    asked = "/v1/setting?binder_system=furan&sand_temp_c=18&mixer="
    assert service.moulder.get(asked + "m2").status_code == 200
    is_problem(service.device.get(asked + "m2"), 403, "forbidden", "mixer is another")
    assert service.device.get(asked + "m1").status_code == 200


@pytest.mark.parametrize(
    ("path", "method"),
    [
        *((f"/v1/{name}", "get") for name in ASKS),
        *((f"/v1/records/{kind}", "post") for kind in RECORDS),
        ("/v1/records", "post"),
        ("/v1/tables", "post"),
        ("/v1/nothing", "get"),
        ("/v1/stock", "delete"),
        ("/v1/stock", "options"),
        ("/", "get"),
        ("/static/x", "get"),
    ],
)
def test_without_a_token_nothing_is_told(standing: Running, path: str, method: str):
    """Everything but health and the document is 401 without a token, what there is not and what is wrong included."""
    answer = getattr(standing.client, method)(path)
    is_problem(answer, 401, "unauthorized", "a token is needed")
    # RFC 6750, section 3.1: without authentication information there is a challenge and no error code.
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="sandtrack"'


def test_health_and_the_document_are_open(service: Running):
    """Health and the document need no token, and do not mind a wrong one."""
    for path in ("/v1/health", "/v1/openapi.json"):
        assert service.nobody.get(path).status_code == 200
        assert service.client.get(path, headers={"Authorization": "Bearer no.such"}).status_code == 200


@pytest.mark.parametrize(
    "said",
    [
        "Bearer",
        "Bearer ",
        "Bearer x",
        "Bearer x.y",
        "Bearer .",
        "Bearer ID.",
        "Bearer ID.AAAA",
        "Bearer é.ü",
        "bearer ID.x",
    ],
)
def test_a_wrong_token_is_refused(standing: Running, said: str):
    """A token that is not known, or whose secret is another, is 401 with invalid_token (RFC 6750, section 3.1)."""
    known = standing.texts["operator"].partition(".")[0]
    answer = standing.client.get("/v1/stock", headers={"Authorization": said.replace("ID", known)})
    is_problem(answer, 401, "unauthorized", "is not known, was revoked or has expired")
    assert answer.headers["WWW-Authenticate"] == 'Bearer realm="sandtrack", error="invalid_token"'


@pytest.mark.parametrize("said", ["Basic b3A6b3A=", "Digest x", "TOKEN", "Token TOKEN"])
def test_another_scheme_is_no_token(standing: Running, said: str):
    """Another scheme of authorization counts as none."""
    answer = standing.client.get(
        "/v1/stock", headers={"Authorization": said.replace("TOKEN", standing.texts["operator"])}
    )
    is_problem(answer, 401, "unauthorized", "a token is needed")


def test_a_token_in_the_address_is_not_taken(service: Running):
    """A token in the query string, where logs keep it, opens nothing (RFC 6750, section 2.3 advises against it)."""
    is_problem(service.client.get(f"/v1/stock?access_token={service.texts['operator']}"), 401, "unauthorized")


def test_a_resource_that_says_nothing_is_closed(service: Running):
    """A route that nobody gave a permission is refused to everyone."""
    service.app._got_first_request = False
    service.app.add_url_rule("/v1/forgotten", "forgotten", lambda: "secret")
    is_problem(service.client.get("/v1/forgotten"), 401, "unauthorized")
    is_problem(service.administrator.get("/v1/forgotten"), 403, "forbidden", "none")
