"""Roles as data: what each may ask, record and withdraw, and what its token is bound to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

from sandtrack.records import KINDS

_FLOOR_ASKS = (
    "stock",
    "cover",
    "moulds",
    "setting",
    "table",
    "tables",
    "stopped",
    "learned",
    "attention",
    "brief",
    "records",
)
ASKS = (*_FLOOR_ASKS, "rates", "balance", "calibration", "audit", "head")
RECORDS = (*KINDS, "plant")
ISSUE = "issue:table"
"""To give out a table that the shop works out, under the next number; `record:table_issued` is to record any."""

HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Role:
    """What a token of this role may do."""

    about: str
    asks: tuple[str, ...] = ()
    records: tuple[str, ...] = ()
    issues: bool = False
    bound_field: str = ""
    """The field of a record that must name what the token is bound to: `mixer`, `place` or `reclaimer`."""
    machine: bool = False
    """Whether it sends by itself: its records need ids, its name is its own, and its clock may be off by years."""
    typed: bool = False
    """Whether people type on it, who can be asked back."""
    relays: bool = False
    """Whether it may name another sender than itself."""
    own_only: bool = False
    """Whether it withdraws, and finds again, its own records alone."""
    withdraws_for_us: int | None = None
    """How long after its recording it may withdraw a record; None for any time."""

    @property
    def answers_back(self) -> bool:
        """Whether somebody is there to be asked; what a machine sends by itself is booked and flagged."""
        return self.typed or not self.machine

    @property
    def bound_section(self) -> str:
        """Section of the set-up in which a token's binding is found; "" where there is none."""
        return {"": "", "mixer": "mixers"}.get(self.bound_field, "places")

    @cached_property
    def permissions(self) -> frozenset[str]:
        """`ask:QUESTION`, `record:KIND`, `issue:table`, and `record:lines` where it may record anything."""
        names = {*(f"ask:{name}" for name in self.asks), *(f"record:{kind}" for kind in self.records)}
        return frozenset(names | ({ISSUE} if self.issues else set()) | ({"record:lines"} if self.records else set()))


_MOULDING = (
    "mix",
    "pour",
    "knock_out",
    "mould_scrap",
    "castings",
    "strip_check",
    "temperature",
    "hold",
    "reversal",
    "dealt_with",
)
_SAND_PLANT = ("delivery", "transfer", "reclaim_run", "disposal", "count", "level", "calibration")
_LABORATORY = (
    "sand_test",
    "strip_check",
    "temperature",
    "calibration",
    "exposure",
    "hold",
    "release",
    "reversal",
    "dealt_with",
)
_RELAYED = (
    "delivery", "transfer", "mix", "pour", "knock_out", "mould_scrap", "castings", "reclaim_run", "disposal", "level",
    "temperature", "strip_check", "sand_test", "exposure", "reversal",
)  # fmt: skip

ROLES: Mapping[str, Role] = MappingProxyType(
    {
        "screen": Role("a screen that only shows", asks=_FLOOR_ASKS),
        "device": Role(
            "a mixer's own control",
            asks=("setting", "table", "tables", "stopped", "records"),
            records=("mix", "temperature", "reversal"),
            issues=True,
            bound_field="mixer",
            machine=True,
            own_only=True,
        ),
        "tablet": Role(
            "a tablet on the wall beside a mixer, used by whoever stands there",
            asks=("setting", "table", "tables", "stopped", "moulds", "records"),
            records=("strip_check", "temperature", "pour", "knock_out", "reversal"),
            bound_field="mixer",
            machine=True,
            typed=True,
            own_only=True,
            withdraws_for_us=HOUR_US,
        ),
        "sensor": Role(
            "a level transmitter or thermometer of one place",
            asks=("records",),
            records=("level", "temperature", "reversal"),
            bound_field="place",
            machine=True,
            own_only=True,
        ),
        "weighbridge": Role(
            "a weighbridge",
            asks=("records",),
            records=("delivery", "disposal", "reversal"),
            machine=True,
            own_only=True,
        ),
        "reclaimer": Role(
            "a reclaimer's own control",
            asks=("records",),
            records=("reclaim_run", "reversal"),
            bound_field="reclaimer",
            machine=True,
            own_only=True,
        ),
        "gateway": Role(
            "a program that brings what other machines recorded",
            asks=("tables", "records"),
            records=_RELAYED,
            machine=True,
            relays=True,
            own_only=True,
        ),
        "operator": Role("who runs the sand plant", asks=ASKS, records=(*_MOULDING, *_SAND_PLANT), issues=True),
        "moulder": Role("who makes moulds", asks=_FLOOR_ASKS, records=_MOULDING),
        "laboratory": Role("who tests sand, and releases", asks=ASKS, records=_LABORATORY, issues=True),
        "manager": Role("who answers for the shop", asks=ASKS, records=RECORDS, issues=True),
        "administrator": Role("who keeps the service and the set-up", asks=ASKS, records=("plant", "reversal")),
    }
)
