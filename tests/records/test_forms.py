"""Every record is checked in two ways that must agree: marshmallow's `load` (requests) and the plain loop (files)."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import marshmallow as ma
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import KINDS, Forms, Measured

FORMS = Forms(ZoneInfo("Europe/Stockholm"))
AT = "2025-03-01 07:45"
GOOD: dict[str, dict[str, Any]] = {
    "delivery": {"place": "silo", "mass_kg": 25, "lot": "L", "made_on": "2025-02-01", "certificate": {"a": 1}},
    "transfer": {"source": "silo", "target": "yard", "mass_t": "1.5"},
    "mix": {
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": ["101", "102"],
        "shares": [1, 2.5],
        "started_at": "2025-03-01T07:40:00+01:00",
        "sand_temp_f": 68,
        "streams": [{"place": "silo", "mass_kg": 900}, {"place": "tank", "mass_amount": 2, "mass_measure": "can"}],
    },
    "pour": {"moulds": [101], "metal": "grey iron", "poured_kg": "400", "temperature_c": 1380},
    "knock_out": {"moulds": ["101"], "to": "heap", "carried_out_kg": 0},
    "mould_scrap": {"moulds": ["101"], "to": "heap", "reason": "broken"},
    "castings": {"good_kg": 410, "since": "2025-02-01", "until": "2025-02-28"},
    "reclaim_run": {
        "source": "heap",
        "reclaimer": "r1",
        "returned_kg": 800,
        "to": "silo",
        "dust_kg": 3,
        "dust_to": "skip",
        "run_h": 8,
        "energy_kwh": 90,
    },
    "disposal": {"place": "skip", "waste": "spent sand", "mass": "12 t"},
    "count": {"place": "silo", "empty": True},
    "level": {"place": "silo", "level_m": 3},
    "temperature": {"what": "air", "value_c": -3, "humidity_pct": 80},
    "strip_check": {"mould": "1", "definition": "hand", "earliest_min": 30, "latest_min": 45, "sand_temp_c": 20},
    "sand_test": {"test": "sieve", "sample": {"place": "heap"}, "readings": {"50": 3.5, "pan": 1}},
    "calibration": {"mixer": "m1", "stream": "resin", "setting": 40, "catches": [{"seconds": 30, "mass_kg": 1}]},
    "exposure": {"agent": "quartz", "value": 0.1, "unit": "mg/m3", "hours": 8},
    "hold": {"lot": "L", "reason": "wet"},
    "dealt_with": {"code": "late", "subject": "silo", "done": "seen", "by": "ida"},
    "release": {"lot": "L", "reason": "dry"},
    "table_issued": {
        "number": 1,
        "mixer": "m1",
        "binder_system": "furan",
        "expires_at": "2025-03-02 07:45",
        "rows": [{"sand_temp_c": 12, "serves": True, "resin_pct": 1, "catalyst_pct": 40, "strip_mid_min": 45}],
    },
    "reversal": {"of": {"sender": "op", "id": "1"}, "reason": "twice"},
}
for _kind, _content in GOOD.items():
    _content["at"] = "2025-03-31" if _kind == "count" else AT
TEXTS = (
    *("", " ", "silo", "Silo 1", "25 t", "25 ton", "25,5", "-1", "nan", "1e9", "true", "no", "hand", "sieve", "place"),
    *("air", "facing", AT, "2025-03-30 02:30", "2025-10-26 02:30", "2025-02-30", "2025-03-01", "2025-03-01T07:45Z"),
    *("a;b", "\x00", "x" * 2001, "\ud800"),
)
LISTS = ([], ["101"], ["1", "1"], [1, 2, 3], [{"place": "silo", "mass_kg": 0}], [{"seconds": 0, "mass_kg": 1}])
MAPS: tuple[dict[str, Any], ...] = ({}, {"place": "silo", "mass_kg": 1}, {"a": 1}, {"sender": "a", "id": "b"})
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-5, 500),
    st.floats(allow_nan=True, allow_infinity=True, width=16),
    st.decimals(-10, 10**6, places=2),
    st.sampled_from((*TEXTS, *LISTS, *MAPS)),
)
OF_STREAMS = ("place", "mass_kg", "mass_t", "lot", "mass_amount", "mass_measure", "x")


def names_of(kind: str) -> list[str]:
    """Every name that a value of this kind may come under, and one that is none."""
    return [*FORMS.schema(kind).names, "nonsense"]


@st.composite
def contents(draw: Any) -> tuple[str, Any]:
    """A good record with some of its entries dropped, changed or joined by others."""
    kind = draw(st.sampled_from(sorted(GOOD)))
    content = copy.deepcopy(GOOD[kind])
    for name in draw(st.lists(st.sampled_from(names_of(kind)), max_size=3)):
        content[name] = draw(ODD)
    for name in draw(st.lists(st.sampled_from(sorted(content)), max_size=2)):
        content.pop(name, None)
    for part in content.get("streams", ()) if isinstance(content.get("streams"), list) else ():
        if draw(st.booleans()) and isinstance(part, dict):
            part[draw(st.sampled_from(["place", "mass_kg", "mass_t", "lot", "mass_amount", "mass_measure", "x"]))] = (
                draw(ODD)
            )
    return kind, content


def loaded(kind: str, content: Any) -> tuple[dict[str, Any] | None, list[str]]:
    """What marshmallow's own load makes of it: values, or the fields it complains of."""
    try:
        return FORMS.schema(kind).load(content), []
    except ma.ValidationError as problem:
        return None, sorted(fields_of(problem.messages))


def fields_of(messages: Any) -> set[str]:
    """Fields named anywhere in marshmallow's messages."""
    if isinstance(messages, dict):
        if isinstance(messages.get("problem"), FieldError):
            inside = getattr(messages["problem"], "problems", [messages["problem"]])
            return {problem.field.partition(".")[0].partition("[")[0] for problem in inside}
        return {name for key, value in messages.items() for name in (fields_of(value) or {str(key)})}
    return set().union(*map(fields_of, messages)) if isinstance(messages, list) else set()


def checked(kind: str, content: Any) -> tuple[dict[str, Any] | None, list[str]]:
    """What the plain loop makes of it."""
    values, problems = FORMS.check(kind, content)
    assert all(problem.reason and str(problem) for problem in problems)
    fields = {problem.field.partition(".")[0].partition("[")[0] for problem in problems}
    return (None if problems else values), sorted(fields)


@settings(max_examples=800, deadline=None)
@given(told=contents())
def test_load_and_the_plain_loop_give_the_same_verdict(told: tuple[str, Any]):
    """Both accept with the same values, or both refuse; what load complains of, the loop complains of."""
    kind, content = told
    sent = copy.deepcopy(content)
    by_load, load_fields = loaded(kind, content)
    by_loop, loop_fields = checked(kind, content)
    assert by_load == by_loop
    assert set(load_fields) <= set(loop_fields)
    assert repr(content) == repr(sent)  # neither changes what was sent


@pytest.mark.parametrize("kind", KINDS)
def test_a_good_record_of_every_kind_is_accepted_by_both(kind: str):
    """The examples that the random ones are made from are good."""
    values, problems = FORMS.check(kind, GOOD[kind])
    assert problems == []
    assert loaded(kind, GOOD[kind]) == (values, [])
    assert FORMS.require(kind, GOOD[kind]) == values


@pytest.mark.parametrize("content", [None, "text", 3, [], ["at"], {1: 2}])
@pytest.mark.parametrize("kind", ["delivery", "reversal"])
def test_what_is_no_object_with_fields_is_refused_by_both(kind: str, content: Any):
    """Neither falls over."""
    assert loaded(kind, content)[0] is None
    assert checked(kind, content)[0] is None


def test_values_are_what_was_meant():
    """Exact milligrams, °C, microseconds in UTC, measures with their amount; other spellings of a field's unit too."""
    values = FORMS.require("mix", GOOD["mix"])
    assert values["at"] == 1_740_811_500_000_000  # 2025-03-01 06:45 UTC, reckoned with `date -u`
    assert values["started_at"] == values["at"] - 300_000_000
    assert values["sand_temp_c"] == pytest.approx(20)
    assert values["streams"] == (
        {"place": "silo", "mass_kg": 900_000_000},
        {"place": "tank", "mass_kg": Measured(Decimal(2), "can")},
    )
    assert FORMS.require("transfer", GOOD["transfer"])["mass_kg"] == 1_500_000_000
    assert FORMS.require("disposal", GOOD["disposal"])["mass_kg"] == 12_000_000_000
    assert FORMS.require("calibration", GOOD["calibration"])["catches"] == ({"seconds": 30.0, "mass_kg": 1_000_000},)


def test_everything_that_is_wrong_is_told_in_one_go():
    """Three faults, three complaints, one error."""
    content = {**GOOD["mix"], "sand_temp_f": "warm", "colour": "red", "streams": [{"place": "silo"}]}
    with pytest.raises(InputErrors) as caught:
        FORMS.require("mix", content)
    assert {problem.field for problem in caught.value.problems} == {"sand_temp_f", "colour", "streams[0].mass_kg"}
