"""What a record blocks or releases, by its content and the set-up it was booked with."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from sandtrack.ledger.setups import Day

WHAT = ("place", "lot", "mould")
HELD, RELEASED, WRONG_MATERIAL, FAILED_CERTIFICATE = "held", "released", "wrong_material", "failed_certificate"

KINDS = frozenset({"hold", "release", "delivery", "transfer"})
"""Kinds of record that may block or release something."""


class Cause(NamedTuple):
    """Why a place, lot or mould may not be used, or (`released`) may be used again."""

    what: str
    key: str
    code: str


def causes(kind: str, values: Mapping[str, Any], day: Day) -> Iterator[Cause]:
    """What a checked record blocks or releases."""
    if kind in ("hold", "release"):
        code = HELD if kind == "hold" else RELEASED
        yield from (Cause(what, values[what], code) for what in WHAT if what in values)
    elif kind in ("delivery", "transfer"):
        place = values.get("place") or values.get("target")
        if place is None:
            return
        material, own = material_and_own(values, place, day)
        if own and material != own:
            yield Cause("place", place, WRONG_MATERIAL)
        if any(failures(values, material, day)):
            yield (
                Cause("lot", values["lot"], FAILED_CERTIFICATE)
                if "lot" in values
                else Cause("place", place, FAILED_CERTIFICATE)
            )


def material_and_own(values: Mapping[str, Any], place: str, day: Day) -> tuple[str, str]:
    """What a delivery or transfer put into a place, and what that place is set up for ("" if for nothing)."""
    own = day.material_at(place)
    return values.get("material") or (day.material_at(values["source"]) if "source" in values else own), own


def failures(values: Mapping[str, Any], material: str, day: Day) -> Iterator[str]:
    """Why the certificate of a delivery fails, if it does: by its own word, or by the limits of the set-up."""
    certificate = values.get("certificate", {})
    if certificate.get("passed") is False:
        yield "its certificate says that it failed"
    limits = day.find("materials", material).limits if material else {}
    for name, (low, high) in limits.items():
        value = certificate.get(name)
        if isinstance(value, float) and ((low is not None and value < low) or (high is not None and value > high)):
            bounds = " to ".join(f"{bound:g}" if bound is not None else "…" for bound in (low, high))
            yield f"its certificate says {name} {value:g}, outside {bounds}"
