"""A good record of every kind for the invented foundry, and a good query for every question."""

from __future__ import annotations

import tomllib
from typing import Any

from .clients import PLANT

AT = "2025-03-03T08:00:00+01:00"
RECORDS: dict[str, dict[str, Any]] = {
    "delivery": {"place": "silo_new", "gross_kg": 39620, "tare_kg": 14740, "certificate": {"passed": True}},
    "transfer": {"source": "core_store", "mould": "7", "mass_kg": 12.5},
    "mix": {
        "mixer": "m1",
        "binder_system": "furan",
        "moulds": ["7"],
        "streams": [{"place": "silo_new", "mass_kg": 300}, {"place": "tank_resin_f", "mass_kg": 3.1}],
    },
    "pour": {"moulds": ["7"], "metal": "grey_iron", "temperature_c": 1380},
    "knock_out": {"moulds": ["7"], "to": "heap_f"},
    "mould_scrap": {"moulds": ["8"], "to": "heap_f", "reason": "dropped"},
    "castings": {"good_kg": 310, "rejected_kg": 0, "moulds": ["7"]},
    "reclaim_run": {"source": "heap_f", "reclaimer": "reclaimer_f", "returned_kg": 5200, "to": "silo_f"},
    "disposal": {"place": "skip_dust", "waste": "foundry dust", "mass_t": 7.2},
    "count": {"place": "silo_new", "mass_kg": 14000, "error_pct": 1.5},
    "level": {"place": "silo_new", "level_m": 4.33},
    "temperature": {"what": "mixed_sand", "mixer": "m1", "value_c": 18.5},
    "strip_check": {"binder_system": "furan", "definition": "hand", "latest_min": 60, "sand_temp_c": 18},
    "sand_test": {"test": "loss_on_ignition", "results": {"loss_on_ignition_pct": 1.9}},
    "calibration": {
        "mixer": "m1",
        "stream": "resin",
        "setting": 40,
        "catches": [{"seconds": 10, "mass_g": 4688}, {"seconds": 10, "mass_g": 4714}],
    },
    "exposure": {"agent": "quartz", "value": 0.03, "unit": "mg/m3"},
    "hold": {"place": "tank_acid", "reason": "smells of resin"},
    "dealt_with": {"code": "ended_empty", "subject": "101", "done": "the mix was found", "by": "ida"},
    "release": {"place": "tank_acid", "reason": "washed"},
    "table_issued": {
        "number": 1,
        "mixer": "m1",
        "binder_system": "furan",
        "expires_at": "2025-03-04T08:00:00+01:00",
        "rows": [{"sand_temp_c": 12, "serves": True, "resin_pct": 1.08, "catalyst_pct": 41.5}],
    },
    "reversal": {"of": {"sender": "m1", "id": "m1-1"}, "reason": "a nought too many"},
}

ASKED = {
    "stock": "at=2025-03-31",
    "cover": "at=2025-03-31",
    "moulds": "at=2025-03-31",
    "setting": "mixer=m1&binder_system=furan&sand_temp_c=18&at=2025-03-31",
    "stopped": "mixer=m1&binder_system=furan&sand_temp_c=18&minutes_ago=4&at=2025-03-31",
    "learned": "binder_system=furan&definition=hand&at=2025-03-31",
    "table": "mixer=m1&binder_system=furan&lowest_c=5&highest_c=30&step_c=5&at=2025-03-31",
    "tables": "at=2025-03-31",
    "attention": "at=2025-03-31",
    "brief": "at=2025-03-31",
    "rates": "since=2025-03-01&until=2025-03-31",
    "balance": "since=2025-03-01&until=2025-03-31",
    "calibration": "mixer=m1&at=2025-03-31",
    "audit": "since=2025-03-01&until=2025-03-31",
    "records": "kind=delivery&limit=5",
    "head": "head=1 records, 0123456789abcdef",
}

ORDER = {"mixer": "m1", "binder_system": "furan", "lowest_c": 15, "highest_c": "77 °F", "step_c": 5}


def record(kind: str, record_id: str, **more: Any) -> dict[str, Any]:
    """A good record of a kind; a reversal is of the mix with id m1-1 by m1."""
    if kind == "plant":
        content = tomllib.loads(PLANT.read_text())
        content["shop"]["valid_from"] = "2025-06-01"
        content["calendar"]["holidays"] = [day.isoformat() for day in content["calendar"]["holidays"]]
        return {**content, "id": record_id, **more}
    return {"at": AT, **RECORDS[kind], "id": record_id, **more}
