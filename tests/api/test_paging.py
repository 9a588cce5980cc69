"""Flags of an answer over HTTP: so many at a time, the most urgent first, none lost."""

from __future__ import annotations

import jsonschema
import pytest
from sandtrack_api import paging

from sandtrack.shop import Answer, Flag, Shop

from .clients import Running, is_problem

MANY = 1_000


@pytest.fixture
def flooded(service: Running, monkeypatch: pytest.MonkeyPatch) -> Running:
    """A service whose stock has 1,000 flags of lines entered twice and, last of all, one of resin that met acid."""
    flags = (*(Flag("double_entry", f"line {n}", str(n)) for n in range(MANY)), Flag("resin_meets_acid", "tank", "t"))
    monkeypatch.setattr(Shop, "stock", lambda *_, **__: Answer("stock", "2025-06-15T17:06:40+02:00", flags=flags))
    return service


def test_the_most_urgent_flags_come_first_and_the_rest_is_counted(flooded: Running):
    """200 of 1,001 flags: the danger first, 801 left out."""
    body = flooded.manager.get("/v1/stock").json
    assert [flag["code"] for flag in body["flags"]] == ["resin_meets_acid", *["double_entry"] * 199]
    assert body["flags_more"] == {"left_out": 801, "next": 200}
    schema = flooded.nobody.get("/v1/openapi.json").json["components"]["schemas"]["Answer"]
    jsonschema.validate(body["flags_more"], schema["properties"]["flags_more"])


def test_page_by_page_each_flag_comes_once(flooded: Running):
    """Going on with `next` gives every flag once: 200 + 200 + 200 + 200 + 200 + 1."""
    got, sizes, first = [], [], 0
    while True:
        body = flooded.manager.get(f"/v1/stock?flags_from={first}").json
        got += [flag["subject"] for flag in body["flags"]]
        sizes.append(len(body["flags"]))
        if "flags_more" not in body:
            break
        first = body["flags_more"]["next"]
    assert sizes == [200] * 5 + [1]
    assert sorted(got) == sorted(["t", *map(str, range(MANY))])


def test_few_flags_are_shown_as_they_are(year: Running):
    """An answer with few flags is what the library gives, in its order."""
    with Shop.open(year.path, clock=year.clock) as shop:
        flags = [flag.code for flag in shop.attention(at="2025-03-31").flags]
    body = year.manager.get("/v1/attention?at=2025-03-31").json
    assert [flag["code"] for flag in body["flags"]] == flags
    assert 0 < len(flags) <= paging.MOST_FLAGS
    assert "flags_more" not in body
    assert year.manager.get("/v1/attention?at=2025-03-31&flags_from=10000").json["flags"] == []


def test_not_a_number_of_flags(standing: Running):
    """A part of a flag, or less than none, is refused."""
    for wrong in ("-1", "1.5", "next"):
        problem = is_problem(standing.manager.get(f"/v1/stock?flags_from={wrong}"), 400, "bad_input")
        assert problem["problems"][0]["field"] == "flags_from"
