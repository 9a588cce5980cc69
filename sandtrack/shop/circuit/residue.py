"""Binder residue in used sand: weighed sand is heavier by it than the sand that was booked into moulds."""

from __future__ import annotations

from collections.abc import Iterable
from statistics import fmean
from typing import Any

from sandtrack.ledger import Flow
from sandtrack.shop import laboratory
from sandtrack.shop.circuit.circuits import kind_of
from sandtrack.shop.picture import KG, Picture
from sandtrack.shop.wording import day, several

LOOK_BACK_DAYS = 365
_WEIGHED = ("reclaim_run", "disposal", "transfer")
_DAY_US = 86_400_000_000


def binder_residue(picture: Picture, flows: Iterable[Flow], since: int, until: int) -> dict[str, Any]:
    """Loss on ignition × mass of used sand weighed out of each heap, where its loss is known.

    Each heap: weighed_kg (fed, moved or thrown away by weight), loi_pct, residue_kg, basis; total_kg where all heaps
    are known.
    """
    weighed: dict[str, int] = {}
    for flow in flows:
        if flow.kind in _WEIGHED and flow.target != "conversion" and kind_of(picture, flow.source) == "heap":
            weighed[flow.source] = weighed.get(flow.source, 0) + flow.mass_mg
    tests = laboratory.results(picture, min(since, until - LOOK_BACK_DAYS * _DAY_US), until)
    heaps: dict[str, Any] = {}
    for heap, mass in sorted(weighed.items()):
        loi, basis = _loi(picture, tests, heap, since)
        heaps[heap] = {
            "weighed_kg": mass / KG,
            "loi_pct": loi,
            "residue_kg": None if loi is None else mass / KG * loi / 100,
            "basis": basis,
        }
    known = [heap["residue_kg"] for heap in heaps.values()]
    return {"by_heap": heaps, "total_kg": None if None in known or not known else sum(known)}


def _loi(picture: Picture, tests: list[laboratory.Result], heap: str, since: int) -> tuple[float | None, str]:
    found = [(test.at, loi) for test in tests if test.place == heap and (loi := test.value(laboratory.LOI)) is not None]
    within = [loi for at, loi in found if at >= since]
    if within:
        return fmean(within), f"mean of {several(len(within), 'test')} of the period"
    if found:
        return found[-1][1], f"the last test before the period, of {day(found[-1][0], picture.zone)}"
    return None, "not known: no loss on ignition of this heap was tested"
