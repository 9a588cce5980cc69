"""The service against the standards of the internet that it names; section numbers stand with each test.

Tags: source, RFC 9457 (problem details), RFC 3339 (times), RFC 6750 (bearer tokens), RFC 9110 (HTTP), RFC 8259 (JSON).
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask.testing import FlaskClient
from sandtrack_api import create_app
from sandtrack_api.tokens import Tokens
from werkzeug.test import TestResponse

from sandtrack.records import times
from sandtrack.shop import Shop

PLANT = Path(__file__).parents[2] / "demo_data" / "plant.toml"
STOCK = "/v1/stock?at=2025-03-31"


class Client:
    """An operator's client of the service."""

    def __init__(self, path: Path) -> None:
        self.app = create_app({"SANDTRACK_SHOP": str(path), "TESTING": True})
        self.http: FlaskClient = self.app.test_client()
        self.text = Tokens.beside(path).make(role="operator", name="ida")[1]
        self.bearer = {"Authorization": f"Bearer {self.text}"}

    def get(self, path: str, **headers: str) -> TestResponse:
        """GET as the operator."""
        return self.http.get(
            path, headers=self.bearer | {name.replace("_", "-"): said for name, said in headers.items()}
        )

    def count(self, **content: Any) -> TestResponse:
        """POST a count as the operator."""
        sent = {"at": "2025-03-01", "place": "silo_new", "mass_kg": 1000} | content
        return self.http.post("/v1/records/count", json=sent, headers=self.bearer)


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    """The service of a shop with a set-up alone."""
    path = tmp_path / "shop.sandtrack"
    Shop.create(path, PLANT).close()
    made = Client(path)
    yield made
    made.app.extensions["sandtrack"].close()


@pytest.fixture(scope="module")
def year(_demo_year: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    """The service of the invented foundry's year, which is only asked."""
    path = Path(shutil.copy(_demo_year, tmp_path_factory.mktemp("rfc") / "shop.sandtrack"))
    made = Client(path)
    yield made
    made.app.extensions["sandtrack"].close()


# -- RFC 9457, problem details ------------------------------------------------------------------------------------


def problems(client: Client) -> dict[int, TestResponse]:
    """A failure of every status that a client can bring about."""
    client.count(id="c-1")
    post = client.http.post
    return {
        400: client.get("/v1/stock?at=noon"),
        401: client.http.get("/v1/stock"),
        403: post("/v1/records/plant", json={}, headers=client.bearer),
        404: client.get("/v1/nothing"),
        405: post("/v1/stock", headers=client.bearer),
        409: client.count(id="c-1", mass_kg=2),
        412: client.get(STOCK, If_Match='"other"'),
        413: post("/v1/records/count", data=b" " * 4_000_001, content_type="application/json", headers=client.bearer),
        415: post("/v1/records/count", data=b"x", content_type="text/plain", headers=client.bearer),
        422: client.count(place="silo_nwe"),
    }


def test_section_3_media_type(client: Client):
    """Section 3: problem details in JSON are identified by the media type application/problem+json."""
    for status, answer in problems(client).items():
        assert answer.status_code == status
        assert answer.content_type == "application/problem+json"


def test_section_3_1_members(client: Client):
    """Section 3.1: `type` is a URI reference, `status` a number, `title` and `detail` strings, each of its own type."""
    for answer in problems(client).values():
        body = answer.json
        assert isinstance(body["type"], str)
        assert isinstance(body["title"], str)
        assert isinstance(body["detail"], str)
        assert type(body["status"]) is int


def test_section_3_1_2_status(client: Client):
    """Section 3.1.2: generators must use the same status code in the actual HTTP response."""
    for status, answer in problems(client).items():
        assert answer.json["status"] == answer.status_code == status


def test_section_3_1_3_title(client: Client):
    """Section 3.1.3: the title should not change from occurrence to occurrence of the problem."""
    for path in ("/v1/nothing", "/v1/nought"):
        assert client.get(path).json["title"] == "Not Found"


def test_section_3_1_4_detail(client: Client):
    """Section 3.1.4: the detail is of this occurrence, and helps to correct it."""
    assert client.get("/v1/nothing").json["detail"] != client.get("/v1/nought").json["detail"]
    assert "YYYY-MM-DD" in client.get("/v1/stock?known_on=x").json["detail"]


def test_section_3_2_extensions(client: Client):
    """Section 3.2: extension names start with a letter and have letters, digits and '_', three characters or more."""
    extensions = set(client.get("/v1/nothing").json) - {"type", "title", "status", "detail", "instance"}
    assert extensions == {"code", "problems"}
    for name in extensions:
        assert len(name) >= 3
        assert name.isidentifier()
        assert name[0].isalpha()


def test_section_4_2_1_about_blank(client: Client):
    """Section 4.2.1: with `about:blank` the title should be the recommended HTTP status phrase for that code."""
    # The phrases of RFC 9110, section 15.5 (413 and 422 as this Python names them: RFC 7231 and 4918 have the same).
    phrases = {
        400: {"Bad Request"}, 401: {"Unauthorized"}, 403: {"Forbidden"}, 404: {"Not Found"},
        405: {"Method Not Allowed"}, 409: {"Conflict"}, 412: {"Precondition Failed"},
        413: {"Content Too Large", "Request Entity Too Large"},
        415: {"Unsupported Media Type"}, 422: {"Unprocessable Content", "Unprocessable Entity"},
    }  # fmt: skip
    for status, answer in problems(client).items():
        assert answer.json["type"] == "about:blank"
        assert answer.json["title"] in phrases[status]


# -- RFC 3339, times ------------------------------------------------------------------------------------------------


def kept_at(client: Client, at: str) -> datetime:
    """The instant at which a record sent with this time was booked."""
    receipt = client.count(at=at).json
    (found,) = client.get(f"/v1/records?sender=ida&id={receipt['id']}").json["values"]["records"]
    return datetime.fromisoformat(found["at"])


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # Section 5.8: 20 minutes and 50.52 seconds after the 23rd hour of April 12th, 1985 in UTC.
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)),
        # Section 5.8: equivalent to 1996-12-20T00:39:57Z in UTC.
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        # Section 5.6, note: "T" and "Z" may be lower case; for readability there may be a space instead of "T".
        ("1985-04-12t23:20:50.52z", datetime(1985, 4, 12, 23, 20, 50, 520_000, tzinfo=UTC)),
        ("1996-12-19 16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        # Section 4.3: the time in UTC is known, the local offset is not.
        ("2025-03-01T12:00:00-00:00", datetime(2025, 3, 1, 12, tzinfo=UTC)),
        # Section 5.6: time-numoffset to the minute.
        ("2025-03-01T12:00:00+05:45", datetime(2025, 3, 1, 6, 15, tzinfo=UTC)),
        # Section 5.7: February 29th of a leap year.
        ("2024-02-29T23:59:59+01:00", datetime(2024, 2, 29, 22, 59, 59, tzinfo=UTC)),
    ],
)
def test_sections_5_6_to_5_8_times(client: Client, text: str, instant: datetime):
    """Times of the standard's grammar, its examples among them, mean the instants that it says."""
    assert times.instant(text, None) == (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    # What is told is to the second.
    assert kept_at(client, text) == instant.replace(microsecond=0)


# Section 5.6: date-time, with its seconds and its offset.
DATE_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


def told_times(found: Any) -> Iterator[str]:
    """Every time in an answer; what records hold is as it was sent."""
    if isinstance(found, dict):
        for name, value in found.items():
            if name != "content":
                yield from told_times(value)
    elif isinstance(found, list):
        for value in found:
            yield from told_times(value)
    elif isinstance(found, str) and re.fullmatch(r"\d{4}-\d\d-\d\dT\S*", found):
        yield found


@pytest.mark.parametrize(
    "asked",
    [
        "stock", "moulds", "attention?at=2025-12-30", "brief?at=2025-12-30T15:18", "learned?binder_system=furan",
        "tables", "setting?mixer=m1&binder_system=furan&sand_temp_c=18", "calibration?mixer=m1", "records?limit=1000",
        "table?mixer=m1&binder_system=furan&lowest_c=10&highest_c=20&at=2025-12-30", "audit?until=2025-12-30",
        "rates?since=2025-06-01&until=2025-06-30", "balance?since=2025-06-01&until=2025-06-30",
    ],
)  # fmt: skip
def test_section_5_6_what_is_told(year: Client, asked: str):
    """Section 5.6: every time that an answer tells is of the standard's grammar."""
    told = list(told_times(year.get(f"/v1/{asked}").json))
    assert told
    assert [text for text in told if not DATE_TIME.fullmatch(text)] == []


def test_section_5_6_what_a_receipt_tells(client: Client):
    """Section 5.6: so are the times of receipts and of the answers to lines."""
    line = b'{"kind": "level", "at": "2025-03-03 08:00", "place": "silo_new", "level_m": 1}'
    answer = client.http.post("/v1/records", data=line, content_type="application/x-ndjson", headers=client.bearer)
    for told in (client.count(id="c-1").json["recorded_at"], json.loads(answer.text)["recorded_at"]):
        assert DATE_TIME.fullmatch(told)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # Section 5.8: leap seconds. The ledger's clock has none, as POSIX time has none: they are refused, not moved.
        ("1990-12-31T23:59:60Z", "is not a time of the calendar and clock"),
        ("1990-12-31T15:59:60-08:00", "is not a time of the calendar and clock"),
        # Section 5.8: Dutch legal time of 1937. Before 1970 there is nothing to record.
        ("1937-01-01T12:00:27.87+00:20", "is outside the years 1970 to 2199"),
        # Section 5.6: what the grammar does not have, or its restrictions (5.7) forbid.
        ("2025-02-29T12:00:00Z", "is not a time of the calendar and clock"),
        ("2025-04-31T12:00:00Z", "is not a time of the calendar and clock"),
        ("2025-13-01T12:00:00Z", "is not a time of the calendar and clock"),
        ("2025-03-01T24:00:00Z", "is not a time of the calendar and clock"),
        ("2025-03-01T12:60:00Z", "is not a time of the calendar and clock"),
        ("2025-03-01T12:00:00+24:00", "is not a time of the calendar and clock"),
        ("2025-03-01T12:00:00+0100", "is not a time"),
        ("2025-03-01T12:00:00+01", "is not a time"),
        ("2025-3-1T12:00:00Z", "is not a time"),
        ("20250301T120000Z", "is not a time"),
        ("2025-W09-6T12:00:00Z", "is not a time"),
        ("2025-060T12:00:00Z", "is not a time"),
        ("Sat, 01 Mar 2025 12:00:00 GMT", "is not a time"),
        # Section 5.6 allows any number of digits: more than the ledger keeps are refused, not rounded.
        ("2025-03-01T12:00:00.1234567Z", "is not a time"),
    ],
)
def test_what_is_no_time_of_ours(client: Client, text: str, said: str):
    """Leap seconds, years before 1970, more than microseconds, and what the grammar does not have are refused."""
    answer = client.count(at=text)
    assert answer.status_code == 422
    assert said in answer.json["problems"][0]["reason"]


def test_section_4_4_local_times(client: Client):
    """Section 4.4: an unqualified local time has to be agreed on. Here it is the shop's, and told with its offset."""
    assert kept_at(client, "2025-07-01 12:00") == datetime(2025, 7, 1, 12, tzinfo=ZoneInfo("Europe/Stockholm"))
    assert client.get("/v1/stock?at=2025-07-01T12:00").json["as_of"] == "2025-07-01T12:00:00+02:00"


# -- RFC 6750, bearer tokens ----------------------------------------------------------------------------------------


def test_section_2_1_header(client: Client):
    """Section 2.1: the token is sent in the Authorization header; RFC 9110, 11.1: the scheme in any case."""
    for scheme in ("Bearer", "bearer", "BEARER"):
        assert client.http.get(STOCK, headers={"Authorization": f"{scheme} {client.text}"}).status_code == 200


def test_section_2_1_syntax(client: Client):
    """Section 2.1: a token is a b64token: letters, digits and - . _ ~ + / with `=` at the end."""
    assert set(client.text) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~+/")


def test_sections_2_2_and_2_3_body_and_query(client: Client):
    """Sections 2.2 and 2.3: tokens in bodies and addresses need not be supported, and are not."""
    assert client.http.get(f"{STOCK}&access_token={client.text}").status_code == 401
    assert client.http.post("/v1/records", data={"access_token": client.text}).status_code == 401


def test_section_3_challenge(client: Client):
    """Sections 3 and 3.1: 401 without token has a challenge without error; a bad one invalid_token; 403 a scope."""
    without = client.http.get(STOCK)
    assert (without.status_code, without.headers["WWW-Authenticate"]) == (401, 'Bearer realm="sandtrack"')
    bad = client.http.get(STOCK, headers={"Authorization": "Bearer nothing"})
    assert bad.status_code == 401
    assert 'error="invalid_token"' in bad.headers["WWW-Authenticate"]
    scarce = client.http.post("/v1/records/plant", json={}, headers=client.bearer)
    assert scarce.status_code == 403
    assert 'error="insufficient_scope", scope="record:plant"' in scarce.headers["WWW-Authenticate"]


def test_section_5_2_tokens_cannot_be_guessed(client: Client):
    """Section 5.2: a token is hard to guess; RFC 6749, 10.10: chance at most 2^-128. Ours has 256 random bits."""
    secret = client.text.partition(".")[2]
    assert len(secret) * 6 >= 256


def test_section_5_3_nothing_is_kept_by_others(client: Client):
    """RFC 9111, 3.5 and 5.2.2.7: what was answered to a token is kept by no shared cache."""
    assert "private" in client.get(STOCK).headers["Cache-Control"]


# -- RFC 9110, HTTP -------------------------------------------------------------------------------------------------


def test_section_8_8_3_entity_tag(client: Client):
    """Section 8.8.3: an ETag is a quoted string; a strong one changes whenever the content does (8.8.1)."""
    first = client.get(STOCK)
    assert first.headers["ETag"].startswith('"')
    assert first.headers["ETag"].endswith('"')
    client.count(id="c-1")
    second = client.get(STOCK)
    assert (first.data == second.data) is (first.headers["ETag"] == second.headers["ETag"]) is False


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ("TAG", 304),
        ("W/TAG", 304),  # 13.1.2: the weak comparison is used for If-None-Match
        ('"xyzzy", TAG, "c3piozzzz"', 304),
        ("*", 304),  # 13.1.2: false for * if there is a current representation
        ('"xyzzy"', 200),
        ("", 200),
    ],
)
def test_section_13_1_2_if_none_match(client: Client, said: str, status: int):
    """Section 13.1.2: 304 if a listed tag matches; 15.4.5: with ETag and Cache-Control as of the 200, no body."""
    whole = client.get(STOCK)
    answer = client.get(STOCK, If_None_Match=said.replace("TAG", whole.headers["ETag"]))
    assert answer.status_code == status
    assert answer.headers["ETag"] == whole.headers["ETag"]
    assert answer.headers["Cache-Control"] == whole.headers["Cache-Control"]
    assert (answer.data == b"") is (status == 304)


def test_section_13_2_1_when_to_evaluate(client: Client):
    """Section 13.2.1: preconditions are ignored where the answer without them is neither 2xx nor 412."""
    assert client.get("/v1/stock?at=noon", If_None_Match="*").status_code == 400
    assert client.http.get(STOCK, headers={"If-None-Match": "*"}).status_code == 401


def test_section_13_1_1_if_match(client: Client):
    """Section 13.1.1: 412 if no listed tag matches, by the strong comparison."""
    tag = client.get(STOCK).headers["ETag"]
    assert client.get(STOCK, If_Match=tag).status_code == 200
    assert client.get(STOCK, If_Match="*").status_code == 200
    for path in (STOCK, "/v1/openapi.json"):
        answer = client.get(path, If_Match='"other"')
        assert (answer.status_code, answer.json["code"]) == (412, "precondition_failed")


def test_section_13_1_1_of_what_has_no_version(client: Client):
    """Section 13.1.1: the method must not be performed if no listed tag matches, and records have none; 13.2.1."""
    sent = {"at": "2025-03-01", "place": "silo_new", "mass_kg": 1000, "id": "c-1"}
    post = client.http.post
    for tag in ('"other"', "*"):
        answer = post("/v1/records/count", json=sent, headers=client.bearer | {"If-Match": tag})
        assert (answer.status_code, answer.json["code"]) == (412, "precondition_failed")
        answer = post("/v1/records", data=b"{}", content_type="text/csv", headers=client.bearer | {"If-Match": tag})
        assert answer.status_code == 415
    assert client.get("/v1/records?id=c-1").json["values"]["records"] == []
    assert post("/v1/records/count", json=sent, headers=client.bearer | {"If-None-Match": "*"}).status_code == 201


def test_section_9_3_2_head(client: Client):
    """Section 9.3.2: HEAD has the header fields that GET would have, and no content."""
    head, got = client.http.head(STOCK, headers=client.bearer), client.get(STOCK)
    assert head.data == b""
    assert head.headers["ETag"] == got.headers["ETag"]
    assert head.headers["Content-Length"] == str(len(got.data))


def test_section_15_5_6_allow(client: Client):
    """Section 15.5.6: 405 must have an Allow header with the methods that are supported."""
    answer = client.http.post("/v1/stock", headers=client.bearer)
    assert {"GET", "HEAD"} <= set(answer.headers["Allow"].split(", "))


def test_section_15_3_2_created(client: Client):
    """Section 15.3.2: 201 names the resource in Location; 10.2.2: which may be relative, and leads to it."""
    answer = client.count(id="a b/ä")
    assert answer.status_code == 201
    (found,) = client.get(answer.headers["Location"]).json["values"]["records"]
    assert found["id"] == "a b/ä"


def test_section_15_5_16_unsupported(client: Client):
    """Section 15.5.16: 415 should say by Accept which type would do, and by Accept-Encoding which coding."""
    answer = client.http.post("/v1/records", data=b"{}", content_type="text/csv", headers=client.bearer)
    assert answer.headers["Accept"] == "application/x-ndjson"
    coded = {**client.bearer, "Content-Encoding": "gzip"}
    answer = client.http.post("/v1/records/count", data=b"x", content_type="application/json", headers=coded)
    assert answer.headers["Accept-Encoding"] == "identity"


# -- RFC 8259, JSON -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        '{"mass_kg": NaN}',  # section 6: NaN and Infinity are not permitted
        '{"mass_kg": Infinity}',
        '{"mass_kg": 01}',  # section 6: leading zeros are not allowed
        '{"mass_kg": .5}',
        '{"mass_kg": +1}',
        '{"mass_kg": 0x10}',
        "{'mass_kg': 1}",  # section 7: strings begin and end with quotation marks
        '{"mass_kg": 1,}',
        '{"note": "a\tb"}',  # section 7: control characters must be escaped
        '{"mass_kg": 1, "mass_kg": 2}',  # section 4: names should be unique; where they are not, nobody can rely on it
        "",
    ],
)
def test_what_is_no_json(client: Client, text: str):
    """What the grammar does not have, and doubled names, are refused before they mean anything."""
    answer = client.http.post(
        "/v1/records/count", data=text, content_type="application/json; charset=utf-8", headers=client.bearer
    )
    assert answer.status_code == 400
    assert answer.json["code"] == "bad_json"


def test_section_8_1_answers_are_utf_8(client: Client):
    """Section 8.1: JSON between systems is UTF-8, without a byte order mark."""
    client.count(id="c-1", note="schöner Sand, 20 °C")
    answer = client.get("/v1/records?id=c-1")
    assert answer.data.decode("utf-8").startswith("{")
    assert answer.json["values"]["records"][0]["content"]["note"] == "schöner Sand, 20 °C"
