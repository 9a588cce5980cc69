"""Questions over HTTP: the shop's own answers, kept until the ledger grows or the minute turns."""

from __future__ import annotations

import json
from typing import Any

import pytest
from sandtrack_api.access import ASKS
from sandtrack_api.questions import QUESTIONS

from sandtrack.shop import Shop

from .clients import Running, is_problem
from .samples import ASKED, record


@pytest.mark.parametrize("name", ASKS)
def test_an_answer_is_the_shop_s_own(standing: Running, name: str):
    """Every question gives over HTTP what the library gives, in the one shape of an answer."""
    arguments = dict(part.split("=") for part in ASKED[name].split("&"))
    numbers = {key: float(value) if key in ("sand_temp_c", "minutes_ago") else int(value) if key == "limit" else value
               for key, value in arguments.items()}  # fmt: skip
    answer = standing.manager.get(f"/v1/{name}?{ASKED[name]}")
    assert answer.status_code == 200, answer.text
    assert answer.content_type == "application/json"
    with Shop.open(standing.path, clock=standing.clock) as shop:
        own = getattr(shop, name)(**numbers).as_dict()
    assert answer.json == json.loads(json.dumps(own))


def test_every_question_of_the_shop_is_asked():
    """Whatever a shop answers can be asked over HTTP, in one table."""
    assert [question.name for question in QUESTIONS] == [
        "stock", "cover", "moulds", "setting", "table", "tables", "stopped", "learned", "attention", "brief", "rates",
        "balance", "calibration", "audit", "records", "head",
    ]  # fmt: skip
    assert set(ASKS) == {question.name for question in QUESTIONS}


def test_a_refusal_is_an_answer(standing: Running):
    """Sand that is too cold for any setting is answered 200 with `possible` false, why, and what would do."""
    answer = standing.moulder.get("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=4&strip_time_min=30")
    assert answer.status_code == 200
    assert answer.json["possible"] is False
    assert answer.json["because"]
    assert answer.json["instead"]


def test_a_device_asks_for_a_table_of_its_own_mixer_alone(standing: Running):
    """A device keeps a table while the network is down; that of another mixer is refused."""
    asked = "/v1/table?binder_system=furan&lowest_f=50&highest_c=30&mixer="
    answer = standing.device.get(asked + "m1")
    assert answer.status_code == 200
    assert [row["sand_temp_c"] for row in answer.json["values"]["rows"]] == list(range(10, 31, 2))
    assert answer.json["values"]["expires_at"] > answer.json["values"]["made_at"]
    is_problem(standing.device.get(asked + "m2"), 403, "forbidden", "bound to mixer m1")


@pytest.mark.parametrize(
    ("asked", "same_as"),
    [
        ("sand_temp_f=68", "sand_temp_c=20"),
        ("sand_temp=68+%C2%B0F", "sand_temp_c=20"),
        ("sand_temp_c=20&box_sand_t=0.9", "sand_temp_c=20&box_sand_kg=900"),
        ("sand_temp_c=20&strip_time=1+h", "sand_temp_c=20&strip_time_min=60"),
    ],
)
def test_units_are_understood(standing: Running, asked: str, same_as: str):
    """A temperature in °F, a box in tonnes and a time in hours mean the same as in °C, kg and minutes."""
    path = "/v1/setting?mixer=m1&binder_system=furan&"
    assert standing.moulder.get(path + asked).json == standing.moulder.get(path + same_as).json


@pytest.mark.parametrize(
    ("path", "status", "code", "said"),
    [
        ("/v1/stock?at=noon", 400, "bad_input", "at: 'noon' is not a time"),
        ("/v1/stock?at=", 400, "bad_input", "at: '' is empty"),
        ("/v1/stock?at=2025-03-30T02:30", 400, "bad_input", "does not exist in the shop's time zone"),
        ("/v1/stock?at=2025-06-30T12:00:00+02:00", 400, "bad_input", "is not a time"),
        ("/v1/stock?at=2300-01-01", 400, "bad_input", "is outside the years"),
        ("/v1/stock?when=2025-06-30", 400, "bad_input", "when: is not a field here"),
        ("/v1/stock?known_on=today", 400, "bad_input", "known_on: 'today'"),
        ("/v1/stock?at=2025-01-01&at=2025-01-02", 400, "bad_input", "is there more than once"),
        ("/v1/stock?%00=1", 400, "bad_input", "is not a field here"),
        ("/v1/stock?at=%FF%FE", 400, "bad_input", "is not a time"),
        ("/v1/cover?at=x", 400, "bad_input", "at: 'x' is not a time"),
        ("/v1/moulds?at=x", 400, "bad_input", "at: 'x' is not a time"),
        ("/v1/attention?at=x", 400, "bad_input", "at: 'x' is not a time"),
        ("/v1/brief?known_on=2025-01-01", 400, "bad_input", "known_on: is not a field here"),
        ("/v1/rates?since=2025-01-01", 400, "bad_input", "until: is missing"),
        ("/v1/rates?since=2025-02-01&until=2025-01-01", 400, "bad_input", "is before since"),
        ("/v1/balance", 400, "bad_input", "since: is missing"),
        ("/v1/setting?binder_system=furan", 400, "bad_input", "mixer: is missing"),
        ("/v1/setting?mixer=m9&binder_system=furan", 422, "unknown_name", "mixer 'm9' is not in the set-up"),
        ("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=hot", 400, "bad_input", "sand_temp_c: 'hot'"),
        ("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=nan", 400, "bad_input", "is not a finite number"),
        ("/v1/setting?mixer=m1&binder_system=furan&sand_temp_c=9**9", 400, "bad_input", "is a calculation"),
        ("/v1/setting?mixer=m1&binder_system=furan&chance=2", 400, "bad_input", "chance: '2' is above 1"),
        ("/v1/records?kind=delivry", 400, "bad_input", "kind: 'delivry'"),
        ("/v1/records?limit=0", 400, "bad_input", "limit: '0' is below 1"),
        ("/v1/records?limit=1001", 400, "bad_input", "limit: '1001' is above 1000"),
        ("/v1/records?limit=1.5", 400, "bad_input", "limit: '1.5' is not a whole number"),
        ("/v1/records?limit=99999999999999999999999", 400, "bad_input", "limit"),
        ("/v1/records?after=there", 400, "bad_input", "is no place to go on from"),
        ("/v1/records?place=silo_nwe", 422, "unknown_name", "silo_nwe"),
        ("/v1/records?cursor=x", 400, "bad_input", "cursor: is not a field here"),
        ("/v1/nothing", 404, "not_found", "there is nothing at /v1/nothing"),
        ("/v1/stock/", 404, "not_found", "there is nothing at /v1/stock/"),
        ("//v1//stock", 404, "not_found", "there is nothing at"),
        ("/", 404, "not_found", "there is nothing at /"),
        ("/v1/records/", 404, "not_found", "there is nothing at"),
    ],
)
def test_a_question_that_cannot_be_answered(standing: Running, path: str, status: int, code: str, said: str):
    """A wrong, missing, unknown or doubled argument is 400, a name that the set-up lacks is 422, each says which."""
    is_problem(standing.manager.get(path), status, code, said)


@pytest.mark.parametrize(
    ("name", "method"),
    [
        (name, method)
        for name in ASKS
        for method in ("post", "put", "patch", "delete")
        if method != "post" or name not in ("records", "tables")
    ],
)
def test_questions_are_only_asked(standing: Running, name: str, method: str):
    """Any other method is 405, with those that are allowed; only records and tables are made where they are asked."""
    answer = getattr(standing.client, method)(f"/v1/{name}", headers=standing.manager.headers)
    is_problem(answer, 405, "method_not_allowed", f"{method.upper()} does not go with /v1/{name}; allowed: ")
    assert {"GET", "HEAD"} <= set(answer.headers["Allow"].split(", "))


def test_what_nobody_foresaw(service: Running, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture):
    """An error of our own is 500 in the one shape, without its innards, and in the log."""
    service.app.config["PROPAGATE_EXCEPTIONS"] = False

    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("of our own making")

    monkeypatch.setattr(Shop, "stock", broken)
    body = is_problem(service.manager.get("/v1/stock"), 500, "internal_error", "its log says why")
    assert "of our own making" not in json.dumps(body)
    assert "of our own making" in caplog.text


def test_pages_go_on_where_the_last_ended(service: Running):
    """Pages by cursor hold every record once, also while others come in between."""
    for number in range(7):
        service.operator.send("count", record("count", f"c-{number}", at=f"2025-03-0{number + 1}"))
    found, after = [], ""
    for page in range(10):
        values = service.operator.get(f"/v1/records?kind=count&limit=3{after}").json["values"]
        found += [one["id"] for one in values["records"]]
        service.operator.send("count", record("count", f"later-{page}", at="2025-04-01"))
        if not values["more"]:
            assert values["next"] is None
            break
        after = f"&after={values['next']}"
    assert found == [f"c-{number}" for number in range(6, -1, -1)]


def test_an_answer_holds_until_the_ledger_grows(service: Running):
    """The ETag stays while nothing was recorded; 304 then; a record, through this service or not, makes another."""
    asked = "/v1/stock?at=2025-03-31"
    first = service.operator.get(asked)
    tag = first.headers["ETag"]
    assert first.headers["Cache-Control"] == "private, no-cache"
    again = service.operator.get(asked, If_None_Match=tag)
    assert (again.status_code, again.data, again.headers["ETag"]) == (304, b"", tag)
    service.operator.send("count", record("count", "c-1"))
    changed = service.operator.get(asked, If_None_Match=tag)
    assert changed.status_code == 200
    assert changed.headers["ETag"] != tag
    assert changed.json["values"]["stock_kg"]["silo_new"]["new_sand"] == 14000
    with Shop.open(service.path, clock=service.clock) as shop:
        shop.log("count", {"at": "2025-03-05", "place": "silo_new", "mass_kg": 9000}, sender="ida", id="c-2")
    assert service.operator.get(asked).json["values"]["stock_kg"]["silo_new"]["new_sand"] == 9000


def test_an_answer_of_now_is_of_its_minute(service: Running):
    """Without a time asked about the answer moves on with the clock; with one it holds."""
    now, then = service.operator.get("/v1/stock"), service.operator.get("/v1/stock?at=2025-03-31")
    service.clock.now += 1_000_000
    assert service.operator.get("/v1/stock").headers["ETag"] == now.headers["ETag"]
    service.clock.now += 60_000_000
    later = service.operator.get("/v1/stock")
    assert later.headers["ETag"] != now.headers["ETag"]
    assert later.json["as_of"] != now.json["as_of"]
    assert service.operator.get("/v1/stock?at=2025-03-31", If_None_Match=then.headers["ETag"]).status_code == 304


def test_an_answer_is_reckoned_once(service: Running, monkeypatch: pytest.MonkeyPatch):
    """The same question is put to the shop once while its answer holds; another question is another."""
    asked: list[dict[str, Any]] = []
    stock = Shop.stock

    def counting(shop: Shop, **arguments: Any) -> Any:
        asked.append(arguments)
        return stock(shop, **arguments)

    monkeypatch.setattr(Shop, "stock", counting)
    for _ in range(3):
        service.operator.get("/v1/stock?at=2025-03-31")
        service.moulder.get("/v1/stock?at=2025-03-31")
    service.operator.get("/v1/stock?at=2025-03-30")
    assert asked == [{"at": "2025-03-31"}, {"at": "2025-03-30"}]


def test_head_has_the_headers_alone(service: Running):
    """HEAD answers as GET does, without the body."""
    shown, whole = service.client.head("/v1/stock", headers=service.operator.headers), service.operator.get("/v1/stock")
    assert shown.data == b""
    assert shown.headers["ETag"] == whole.headers["ETag"]
    assert shown.headers["Content-Length"] == whole.headers["Content-Length"]


def test_a_shop_file_that_is_gone(service: Running):
    """If the shop file is taken away the service is unavailable, and says so to health too; it is there again later."""
    away = service.path.with_name("away")
    service.path.rename(away)
    is_problem(service.nobody.get("/v1/health"), 503, "shop_file_not_there", "shop.sandtrack ")
    is_problem(service.operator.get("/v1/stock"), 503, "shop_file_not_there")
    away.rename(service.path)
    assert service.operator.get("/v1/stock").status_code == 200
