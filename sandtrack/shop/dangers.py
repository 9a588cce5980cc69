"""Which cautions fit: one table from what is recorded or asked, a hazard of the binder family, and a flag."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from sandtrack.shop.cautions import CAUTIONS, SIGNALS, Caution
from sandtrack.trade.families import family_named
from sandtrack.trade.family import Family


class Row(NamedTuple):
    """Cautions that fit where event, hazard and flag all do; what is None or empty always fits.

    An event is a kind of record or a question; "delivery.liquid" is a delivery too.
    """

    cautions: tuple[str, ...]
    events: tuple[str, ...] = ()
    hazard: str | None = None
    flags: tuple[str, ...] = ()
    never: tuple[str, ...] = ()
    """Events that it does not fit, whatever else does."""


_DOSING = ("mix", "setting", "table", "tables", "stopped", "calibration", "brief")
_LIQUID = ("delivery.liquid", "transfer.liquid", "level.liquid", "count.liquid")
_NEAR_LIQUID = (*_DOSING, *_LIQUID)
_SILO = ("delivery.silo", "transfer.silo", "level.silo", "count.silo", "stock", "brief")
_MOVED = ("delivery.silo", "delivery.heap", "transfer.silo", "transfer.heap")
_DUSTY = (*_MOVED, "knock_out", "mould_scrap", "reclaim_run", "disposal", "brief")
_OF_SAND = (*_MOVED, "mix", "reclaim_run")
"""What puts sand into a place: a wrong one there is no matter of heat or of rinsing."""
_POURED = ("pour", "moulds", "brief")
_HOT = ("knock_out", "brief")

TABLE: tuple[Row, ...] = (
    # by what just happened: before all that always holds
    Row(("resin_met_acid",), flags=("resin_met_acid", "resin_meets_acid")),
    Row(("wrong_material",), flags=("wrong_material",), never=_OF_SAND),
    Row(("wrong_sand",), _OF_SAND, flags=("wrong_material",)),
    Row(("blocked_place",), flags=("blocked_place_drawn",)),
    Row(("held",), flags=("held", "hold_withdrawn", "failed_certificate")),
    Row(
        ("poured_in_doubt", "runout"),
        flags=("held_poured", "poured_too_soon", "poured_unchecked", "poured_twice", "poured_empty"),
    ),
    Row(("metal_still_liquid", "hot_moulds"), flags=("knocked_out_too_soon",)),
    Row(("over_limit",), flags=("exposure_over_limit",)),
    Row(("limit_unknown",), flags=("exposure_not_judged",)),
    Row(("tank_overfull",), flags=("tank_over_mark",)),
    Row(("silo_overfull",), flags=("over_safe_fill",)),
    Row(
        ("weak_mould", "runout"),
        flags=("mix_without_catalyst", "mix_far_off_ratio", "mix_far_off", "streams_swapped", "liquid_of_other_family"),
    ),
    Row(("weak_mould", "runout"), flags=("soft_past_estimate", "looks_contradict")),
    # by the binder family
    Row(("neat_resin_and_acid",), _NEAR_LIQUID, "acid"),
    Row(("acid_burns",), _NEAR_LIQUID, "acid"),
    Row(("hand_blending",), ("setting", "table", "tables", "delivery.liquid", "transfer.liquid", "brief"), "acid"),
    Row(("isocyanate",), _NEAR_LIQUID, "isocyanate"),
    Row(("flammable",), _NEAR_LIQUID, "flammable"),
    Row(("isocyanate_and_water",), (*_LIQUID, "calibration", "brief"), "isocyanate"),
    Row(("alkaline_burns",), _NEAR_LIQUID, "alkaline"),
    Row(("neat_resin_and_ester",), _NEAR_LIQUID, "ester"),
    Row(("vapours",), _NEAR_LIQUID, "vapour"),
    Row(("sulphur_dioxide",), (*_POURED, *_HOT), "acid"),
    # by what is done
    Row(("check_coupling",), ("delivery.liquid", "transfer.liquid")),
    Row(("engulfment",), (*_SILO, "delivery.heap", "transfer.heap", "count.heap")),
    Row(("silo_overfull",), ("delivery.silo", "transfer.silo", "stock", "brief")),
    Row(("work_at_height",), ("level", "count.silo", "count.liquid")),
    Row(("silica",), _DUSTY),
    Row(("used_sand_waste",), ("reclaim_run", "disposal")),
    Row(("screw",), ("stopped", "calibration", "temperature.mixed_sand")),
    Row(("catches",), ("calibration",)),
    Row(("test_then_draw",), ("setting", "table", "tables", "stopped", "learned", "moulds", "strip_check", "brief")),
    Row(("weight_or_clamp", "damp_explodes", "runout", "pouring_gases"), ("pour", "moulds")),
    Row(("hot_moulds", "pouring_gases"), ("knock_out",)),
    Row(("hot_moulds",), ("brief",)),
    Row(("held",), ("hold",)),
    Row(("released_unchecked",), ("release",)),
    # by what else is raised
    Row(("weak_mould", "runout"), flags=("dose_off", "dose_drift")),
    Row(("weak_mould",), flags=("sand_of_other_family", "two_families", "family_crossing")),
    Row(("weak_mould",), flags=("sand_wet", "sand_cold", "sand_hot", "acid_demand", "acid_in_sand")),
    Row(("weak_mould",), flags=("sand_very_wet", "wet_test_old", "acid_takes_all")),
    Row(("screw",), ("setting", "table"), flags=("held", "failed_certificate", "wrong_material")),
    Row(("screw", "catches"), flags=("calibration_missing", "calibration_flat", "one_setting_caught")),
    Row(("screw", "catches"), flags=("beyond_calibration",)),
    Row(("engulfment", "work_at_height"), flags=("level_gap", "level_outside")),
    Row(("screw", "catches"), flags=("calibration_drift", "recalibrate", "calibration_overdue")),
    Row(("hot_moulds",), flags=("standing_too_long",)),
)


KEEP_AWAY = ("resin_meets_acid", "knocked_out_too_soon")
"""Flags of what can kill who stands there now: they come before all else on a screen."""


def cautions(event: str, families: Iterable[str | Family] = (), flags: Iterable[str] = ()) -> tuple[Caution, ...]:
    """What can hurt where `event` is recorded or asked, with these binder families and codes of flags.

    The gravest first, and of one signal word what is raised before what always holds; each once; none where nothing
    can hurt. Raises FieldError for an unknown family.
    """
    hazards: set[str] = {hazard for family in families for hazard in family_named(family).hazards}
    raised, events = set(flags), {event, event.partition(".")[0]}
    codes = dict.fromkeys(
        code for row in TABLE if _fits(row, events, hazards, raised) for code in row.cautions
    )  # each once, in the order of the table
    return tuple(sorted((CAUTIONS[code] for code in codes), key=lambda caution: SIGNALS.index(caution.signal)))


def is_danger(code: str) -> bool:
    """Whether what a flag is about could kill or maim: then only who may release may say that it was dealt with."""
    return any(caution.signal in ("DANGER", "WARNING") for caution in cautions("attention", flags=(code,)))


def _fits(row: Row, events: set[str], hazards: set[str], raised: set[str]) -> bool:
    return (
        (not row.events or not events.isdisjoint(row.events))
        and events.isdisjoint(row.never)
        and (row.hazard is None or row.hazard in hazards)
        and (not row.flags or not raised.isdisjoint(row.flags))
    )
