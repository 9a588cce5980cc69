"""Every kind of record by its name. Columns, options, request bodies and documentation come from here."""

from __future__ import annotations

from collections.abc import Mapping

from sandtrack.records.events import Castings, Delivery, Disposal, KnockOut, Mix, MouldScrap, Pour, ReclaimRun, Transfer
from sandtrack.records.observations import (
    Calibration,
    Count,
    DealtWith,
    Exposure,
    Hold,
    Level,
    Release,
    Reversal,
    SandTest,
    StripCheck,
    TableIssued,
    TemperatureReading,
)
from sandtrack.records.record import Record

KINDS: Mapping[str, type[Record]] = {
    "delivery": Delivery,
    "transfer": Transfer,
    "mix": Mix,
    "pour": Pour,
    "knock_out": KnockOut,
    "mould_scrap": MouldScrap,
    "castings": Castings,
    "reclaim_run": ReclaimRun,
    "disposal": Disposal,
    "count": Count,
    "level": Level,
    "temperature": TemperatureReading,
    "strip_check": StripCheck,
    "sand_test": SandTest,
    "calibration": Calibration,
    "exposure": Exposure,
    "hold": Hold,
    "release": Release,
    "dealt_with": DealtWith,
    "table_issued": TableIssued,
    "reversal": Reversal,
}
ENDINGS = ("knock_out", "mould_scrap")
