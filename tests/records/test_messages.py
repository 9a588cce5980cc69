"""What people read when a record or a set-up cannot be used, word for word, beside what they had sent.

The tables are text files: a line with what was sent (changes to a good one; null leaves a field out), then what
comes back.
"""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sandtrack.errors import FieldError, InputErrors
from sandtrack.plant import Plant
from sandtrack.records import Forms

FORMS = Forms(ZoneInfo("Europe/Stockholm"))
HERE = Path(__file__).parent
AT = "2025-03-01 07:45"
BASE: dict[str, dict[str, Any]] = {
    "delivery": {"place": "silo", "mass_kg": 25000},
    "transfer": {"source": "silo", "target": "yard", "mass_kg": 300},
    "mix": {
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": ["101"],
        "streams": [{"place": "silo", "mass_kg": 900}],
    },
    "pour": {"moulds": ["101"], "metal": "grey iron"},
    "knock_out": {"moulds": ["101"], "to": "heap"},
    "mould_scrap": {"moulds": ["101"], "to": "heap", "reason": "broken"},
    "castings": {"moulds": ["101"], "good_kg": 400},
    "reclaim_run": {"source": "heap", "reclaimer": "r1", "to": "silo", "returned_kg": 800},
    "disposal": {"place": "skip", "waste": "spent sand", "mass_kg": 5000},
    "count": {"place": "silo", "mass_kg": 12000},
    "level": {"place": "silo", "level_m": 2},
    "temperature": {"what": "air", "value_c": 12},
    "strip_check": {"mould": "101", "definition": "hand", "sand_temp_c": 20, "latest_min": 45},
    "sand_test": {"test": "sieve", "readings": {"pan": 1}},
    "calibration": {"mixer": "m1", "stream": "resin", "setting": 40, "catches": [{"seconds": 30, "mass_kg": 1}]},
    "exposure": {"agent": "quartz", "value": 0.1, "unit": "mg/m3"},
    "dealt_with": {"code": "ended_empty", "subject": "101", "done": "mix found", "by": "ida"},
    "hold": {"place": "silo", "reason": "wet"},
    "table_issued": {
        "number": 1,
        "mixer": "m1",
        "binder_system": "furan",
        "expires_at": "2025-03-02 07:45",
        "rows": [{"sand_temp_c": 12, "serves": False, "because": "too cold"}],
    },
    "reversal": {"of": {"sender": "op", "id": "1"}, "reason": "twice"},
}
PLANT: dict[str, Any] = {
    "shop": {"name": "Test", "time_zone": "Europe/Stockholm", "valid_from": "2025-01-01"},
    "materials": {"sand": {"kind": "sand"}, "resin": {"kind": "resin"}, "acid": {"kind": "catalyst"}},
    "places": {"silo": {"kind": "silo", "material": "sand"}, "tank": {"kind": "tank", "material": "resin"}},
    "binder_systems": {"furan": {"family": "furan_acid", "resin": "resin", "catalyst": "acid", "resin_pct": 1}},
    "mixers": {"m1": {"sand_kg_min": 150, "binder_systems": ["furan"]}},
    "measures": {"bucket": {"mass_kg": 640}},
}


def table(name: str) -> list[Any]:
    """Rows of a table: words before the JSON, the JSON, the messages."""
    rows: list[tuple[str, Any, list[str]]] = []
    for line in (HERE / name).read_text().splitlines():
        if line.startswith("    "):
            rows[-1][2].append(line.strip())
        elif line:
            word, _, sent = line.partition(" ")
            rows.append((word, json.loads(sent), []))
    return [pytest.param(*row, id=f"{row[0]}-{number}") for number, row in enumerate(rows)]


def content_of(kind: str, changes: Any) -> Any:
    """A good record with these changes; what is no object stands for itself."""
    if not isinstance(changes, dict):
        return changes
    return {name: value for name, value in {"at": AT, **BASE[kind], **changes}.items() if value is not None}


@pytest.mark.parametrize("kind", BASE)
def test_what_the_tables_change_is_good(kind: str):
    """So that each message comes of the change alone."""
    assert FORMS.check(kind, content_of(kind, {}))[1] == []


@pytest.mark.parametrize(("kind", "changes", "messages"), table("messages_of_records.txt"))
def test_messages_of_records(kind: str, changes: Any, messages: list[str]):
    """Each says which field, what was sent, what is wrong with it, and what would be accepted."""
    _, problems = FORMS.check(kind, content_of(kind, changes))
    assert [str(problem) for problem in problems] == messages


@pytest.mark.parametrize(("kind", "message"), [
    ("delivry", "kind: 'delivry' is not a kind of record; did you mean delivery?"),
    ("xyz", "kind: 'xyz' is not a kind of record; accepted: delivery, transfer, mix, pour, knock_out, mould_scrap, "
     "castings, reclaim_run, disposal, count, level, temperature, strip_check, sand_test, calibration, exposure, hold, "
     "release, dealt_with, table_issued, reversal, plant"),
])  # fmt: skip
def test_a_kind_that_does_not_exist(kind: str, message: str):
    """It says which there are, or which was probably meant."""
    with pytest.raises(FieldError) as caught:
        FORMS.check(kind, {})
    assert str(caught.value) == message


def test_everything_wrong_with_a_set_up_that_is_good():
    """The set-up that the table changes is good."""
    assert Plant.read(PLANT).shop.name == "Test"


@pytest.mark.parametrize(("where", "sent", "messages"), table("messages_of_set_ups.txt"))
def test_messages_of_set_ups(where: str, sent: Any, messages: list[str]):
    """The same for a set-up: the field is named with its table."""
    plant = copy.deepcopy(PLANT)
    *tables, last = where.split(".")
    inside = plant
    for name in tables:
        inside = inside.setdefault(name, {})
    inside[last] = sent
    if sent is None:
        del inside[last]
    with pytest.raises(InputErrors) as caught:
        Plant.read(plant)
    assert [str(problem) for problem in caught.value.problems] == messages
    assert str(caught.value) == "\n".join(["the set-up cannot be used:", *(f"  {message}" for message in messages)])


def test_messages_of_files(tmp_path: Path):
    """A file that is not there, is a folder, or is no TOML."""
    bad = tmp_path / "plant.toml"
    bad.write_text("a = ")
    for path, reason in (
        (tmp_path / "none.toml", "cannot be read (No such file or directory); accepted: a TOML file"),
        (tmp_path, "cannot be read (Is a directory); accepted: a TOML file"),
        (bad, "is not TOML: Invalid value (at end of document); accepted: a TOML file in UTF-8"),
    ):
        with pytest.raises(InputErrors) as caught:
            Plant.read(path)
        (problem,) = caught.value.problems
        assert (problem.field, problem.value) == ("file", str(path))
        assert str(problem).endswith(reason)
