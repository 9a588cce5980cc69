"""The tables of the set-up, declared once as dataclasses whose entries carry the fields they are read with."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from sandtrack.plant.table_fields import AmountSpan, Bounds, Named, Span, TimeOfDay
from sandtrack.records import composite as c
from sandtrack.records import fields as f
from sandtrack.records.events import PURPOSES
from sandtrack.records.mould_numbers import FORM
from sandtrack.records.observations import DEFINITIONS
from sandtrack.records.schema import Declared

FAMILY_LEVERS: Mapping[str, str] = {
    "furan_acid": "amount",
    "phenolic_acid": "amount",
    "alkaline_phenolic_ester": "grade",
    "phenolic_urethane": "amount",
    "silicate_ester": "grade",
    "alkyd_urethane": "amount",
}
MATERIAL_KINDS = ("sand", "resin", "catalyst", "hardener", "additive", "coating", "other")
GRADES = ("slow", "fast")
"""Names of two hardeners or two catalysts, each with a pump of its own."""
USUAL_SANDS = ("new_sand", "reclaimed_sand")
"""Streams of sand that every shop has; any other sand goes by the key of its material."""
LIQUIDS = ("resin", "part_1", "part_2", "co_reactant", "drier", "catalyst", *GRADES)
"""Streams of a mix that are no sand, by the names that a dose has."""
SAND_ROLES = ("new", "used", "reclaimed", "core", "dust", "lumps")
PLACE_KINDS = ("silo", "hopper", "tank", "store", "container", "core_store", "heap", "reclaimer", "skip")
ONE_MATERIAL_KINDS = ("silo", "hopper", "tank", "core_store", "heap", "reclaimer", "skip")
MOULDS = "moulds"
OUTSIDE = ("supplier", "carried_out", "off_site", "consumed", "conversion")
PURPOSES_APART = tuple(purpose for purpose in PURPOSES if purpose != "whole")
"""Purposes whose mixes may have settings of their own; those of whole moulds are the binder system's."""
OWN_OF_PURPOSE = (
    "resin_pct",
    "resin_window_pct",
    "catalyst_pct",
    "catalyst_window_pct",
    "fast_share",
    "reclaimed_share",
    "sand_shares",
    "usual_strip_min",
    "sand_window_c",
)
UNIT_SYSTEMS = ("metric", "us")
DATE_ORDERS = ("year_first", "day_first", "month_first")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def told(what: f.Field, default: Any = None) -> Any:
    """A dataclass entry read with this field."""
    if default is dict:
        return field(default_factory=dict, metadata={"field": what})
    return field(default=default, metadata={"field": what})


class Nested(f.Field):
    """A table within a table, read into its dataclass."""

    json_type = "object"

    def __init__(self, table: type[Any], doc: str = "", **kwargs: Any) -> None:
        super().__init__(doc, **kwargs)
        self.table = table

    def parse(self, raw: Any) -> Any:
        values, problems = schema_of(self.table).check(raw)
        if problems:
            raise c.Inside([problem.within(self.label) for problem in problems])
        return self.table(**values)


class OfPurpose(f.Field):
    """What mixes of one purpose have of their own: some of their binder system's fields, each as there."""

    json_type = "object"

    def parse(self, raw: Any) -> dict[str, Any]:
        values, problems = schema_of_purpose().check(raw)
        if problems:
            raise c.Inside([problem.within(self.label) for problem in problems])
        return values


@dataclass(frozen=True)
class ShopTable:
    name: str = told(f.Text("what people call the shop", required=True))
    time_zone: str = told(f.Text("its time zone in the IANA database", required=True))
    valid_from: date = told(f.Day("day from which this set-up holds", required=True))
    currency: str = told(f.Name("currency of the prices"), "")
    units: str = told(
        f.Choice("units of what is typed without one, and of what is shown", words=UNIT_SYSTEMS), "metric"
    )
    decimal: str = told(f.Choice("decimal sign of what is typed and of files", words=(".", ",")), ".")
    date_order: str = told(
        f.Choice("how a date as 03/04/2025 is read; year_first: not at all, only 2025-04-03", words=DATE_ORDERS),
        "year_first",
    )
    mould_numbers: tuple[str, ...] = told(c.Items(f.Name(FORM)), ())


@dataclass(frozen=True)
class Material:
    key: str
    name: str = told(f.Text("what people call it"), "")
    kind: str = told(f.Choice("what it is", words=MATERIAL_KINDS, required=True))
    role: str = told(f.Choice("part a sand plays in the circuit", words=SAND_ROLES), "")
    family: str = told(f.Choice("binder family whose residue it carries", words=tuple(FAMILY_LEVERS)), "")
    bulk_density_kg_m3: float | None = told(f.Density("bulk density of a sand", above=0))
    density_kg_m3: float | None = told(f.Density("density of a liquid", above=0))
    strength_pct: float | None = told(f.Percent("strength of an acid or solids of a resin"))
    continues: str = told(f.Key("the material whose strip checks count for it too", refers="materials"), "")
    continues_spread_pct: float | None = told(f.Percent("how far its strip times may differ from that one's, one sd"))
    shelf_life_days: float | None = told(f.Number("days it keeps from its day of making", above=0, most=36_500))
    limits: Mapping[str, tuple[float | None, float | None]] = told(
        Named(Bounds(), "limits of certificate and test values"), dict
    )


@dataclass(frozen=True)
class Shape:
    form: str = told(f.Choice("form", words=("cylinder_on_cone", "cylinder", "box"), required=True))
    diameter_m: float | None = told(f.Length("inner diameter", above=0))
    height_m: float | None = told(f.Length("height of the straight part", required=True, above=0))
    cone_height_m: float | None = told(f.Length("height of the cone below it", least=0))
    length_m: float | None = told(f.Length("inner length of a box", above=0))
    width_m: float | None = told(f.Length("inner width of a box", above=0))


@dataclass(frozen=True)
class Place:
    key: str
    name: str = told(f.Text("what people call it"), "")
    kind: str = told(f.Choice("what it is", words=PLACE_KINDS, required=True))
    material: str = told(f.Key("the one material it holds", refers="materials"), "")
    shape: Shape | None = told(Nested(Shape, "its inner shape"))
    safe_fill_kg: float | None = told(f.Kilograms("most it may hold", above=0))
    reserve_kg: float | None = told(f.Kilograms("stock not to be used up"))
    lead_time_days: float | None = told(f.Number("days from order to delivery", least=0, most=36_500))
    order_size_kg: float | None = told(f.Kilograms("usual delivery", above=0))
    count_every_days: float | None = told(f.Number("days after which a count is due", above=0, most=36_500))
    mixer: str = told(f.Key("the mixer it is coupled to", refers="mixers"), "")


@dataclass(frozen=True)
class Reference:
    strip_time_min: float = told(f.Minutes("strip time", required=True, above=0))
    temp_c: float = told(f.Temperature("temperature of the mixed sand", required=True))
    definition: str = told(f.Choice("how strip is judged", required=True, words=DEFINITIONS))
    reading: float | None = told(f.Number("reading of the gauge that counts as strip"))
    scale: str = told(f.Name("scale or unit of that reading"), "")
    catalyst_pct: float | None = told(f.Percent("catalyst, on its base", most=200, above=0))
    fast_share: float | None = told(f.Share("share of the fast grade"))


@dataclass(frozen=True)
class BinderSystem:
    key: str
    name: str = told(f.Text("what people call it"), "")
    family: str = told(f.Choice("binder family", words=tuple(FAMILY_LEVERS), required=True))
    resin: str = told(f.Key("the resin", refers="materials"), "")
    catalyst: str = told(f.Key("the catalyst, where speed is set by its amount", refers="materials"), "")
    grades: Mapping[str, str] = told(
        Named(f.Key(refers="materials"), "grades by name, slow, fast or both, where speed is set by grade"), dict
    )
    catalysts: Mapping[str, str] = told(
        Named(f.Key(refers="materials"), "instead of catalyst: slow and fast, each with a pump of its own"), dict
    )
    part_1: str = told(f.Key("part 1 of a urethane", refers="materials"), "")
    part_2: str = told(f.Key("part 2 of a urethane, or the co-reactant", refers="materials"), "")
    drier: str = told(f.Key("drier of an alkyd urethane", refers="materials"), "")
    part_1_share: float | None = told(f.Share("share of part 1 in the binder"))
    part_2_share: float | None = told(f.Share("share of part 2 in the binder"))
    resin_pct: float = told(f.Percent("resin (urethanes: both parts), on sand", required=True, above=0, most=20))
    resin_window_pct: tuple[float, float] | None = told(AmountSpan("lowest and highest resin, on sand"))
    catalyst_pct: float | None = told(f.Percent("usual catalyst, on its base", most=200, above=0))
    catalyst_window_pct: tuple[float, float] | None = told(AmountSpan("lowest and highest catalyst, on its base"))
    fast_share: float | None = told(f.Share("usual share of the fast grade"))
    reclaimed_share: float | None = told(f.Share("usual share of reclaimed sand"))
    sand_shares: Mapping[str, float] = told(
        Named(f.Share(), "instead of reclaimed_share: share of each sand, as { chromite = 1.0 }"), dict
    )
    usual_strip_min: float | None = told(f.Minutes("strip time wanted where nothing else is said", above=0))
    work_share: float | None = told(f.Share("work time as a share of strip time", above=0))
    work_definition: str = told(f.Choice("how the end of the work time is judged", words=DEFINITIONS), "")
    sand_window_c: tuple[float, float] | None = told(Span("lowest and highest sand temperature"))
    moisture_limit_pct: float | None = told(f.Percent("moisture of the sand at most", most=20, above=0))
    reference: Reference | None = told(Nested(Reference, "strip time known at one setting"))
    half_life_days: float | None = told(f.Number("days after which a strip check counts half", above=0, most=36_500))
    facing: Mapping[str, Any] = told(OfPurpose("what facing mixes have of their own; the rest is as above"), dict)
    backing: Mapping[str, Any] = told(OfPurpose("what backing mixes have of their own; the rest is as above"), dict)
    core: Mapping[str, Any] = told(OfPurpose("what core mixes have of their own; the rest is as above"), dict)

    def own(self, purpose: str | None) -> Mapping[str, Any]:
        """What is stated for mixes of one purpose alone."""
        own = {"facing": self.facing, "backing": self.backing, "core": self.core}.get(purpose or "", {})
        if "sand_shares" in own:
            return {**own, "reclaimed_share": own["sand_shares"].get("reclaimed_sand", 0.0)}
        return {**own, "sand_shares": {}} if "reclaimed_share" in own and self.sand_shares else own

    def of(self, purpose: str | None) -> BinderSystem:
        """The system as mixes of one purpose go by it: with what is stated for them in place of its own."""
        own = self.own(purpose)
        return dataclasses.replace(self, **own) if own else self

    @property
    def lever(self) -> str:
        """What sets the speed: "amount" of catalyst or "grade" (share of the fast one)."""
        return FAMILY_LEVERS[self.family]


@dataclass(frozen=True)
class Mixer:
    key: str
    name: str = told(f.Text("what people call it"), "")
    sand_kg_min: float = told(f.MassFlow("sand it puts through", required=True, above=0))
    binder_systems: tuple[str, ...] = told(c.Items(f.Key(refers="binder_systems"), "systems it can run", required=True))
    calibrate_every_days: float | None = told(f.Number("days after which calibration is due", above=0, most=36_500))
    sand_tolerance_pct: float | None = told(f.Percent("tolerance of the sand rate", above=0))
    resin_tolerance_pct: float | None = told(f.Percent("tolerance of the resin rate", above=0))
    catalyst_tolerance_pct: float | None = told(f.Percent("tolerance of the catalyst rate", above=0))
    setting_steps: Mapping[str, float] = told(
        Named(f.Number(above=0), "for each stream, the smallest step that its pump's setting can be set by"), dict
    )
    draws: Mapping[str, Mapping[str, str]] = told(
        Named(Named(f.Key(refers="places")), "for each system, the place of each stream"), dict
    )


@dataclass(frozen=True)
class Measure:
    key: str
    name: str = told(f.Text("what people call it"), "")
    mass_kg: int = told(f.Mass("mass of one", required=True, in_measures=False))
    steady_pct: float = told(f.Percent("error that stays the same from one to the next"), 0.0)
    chance_pct: float = told(f.Percent("error that differs from one to the next"), 0.0)


@dataclass(frozen=True)
class Pattern:
    key: str
    name: str = told(f.Text("what people call it"), "")
    box_sand_kg: float = told(f.Kilograms("sand that its box takes", required=True, above=0))
    binder_system: str = told(f.Key("binder system it is moulded in", refers="binder_systems"), "")
    usual_strip_min: float | None = told(f.Minutes("strip time wanted", above=0))
    casting_kg: float | None = told(f.Kilograms("mass of the casting", above=0))


@dataclass(frozen=True)
class Calendar:
    working_days: tuple[str, ...] = told(
        c.Items(f.Choice(words=WEEKDAYS), "days worked"), ("mon", "tue", "wed", "thu", "fri")
    )
    holidays: tuple[date, ...] = told(c.Items(f.Day(), "days not worked"), ())
    shift_start: str = told(TimeOfDay("start of the shift"), "07:00")
    shift_end: str = told(TimeOfDay("end of the shift"), "16:00")


@dataclass(frozen=True)
class Person:
    key: str
    name: str = told(f.Text("name"), "")
    role: str = told(f.Name("what the person does"), "")


@dataclass(frozen=True)
class ExposureTable:
    unit: str = told(f.Choice("unit of the limits", words=("mg/m3", "ug/m3", "ppm"), required=True))
    shift: float | None = told(f.Number("mean over eight hours", above=0))
    short: float | None = told(f.Number("mean over a quarter of an hour", above=0))
    ceiling: float | None = told(f.Number("never to be passed", above=0))


@dataclass(frozen=True)
class Limits:
    """When something is raised; every one is a default that the shop may change."""

    number_reuse_h: float = told(f.Hours("a mix this soon after a knock-out asks: number used again?"), 48.0)
    mould_standing_h: float = told(f.Hours("a mould standing longer is raised"), 72.0)
    clock_offset_min: float = told(f.Minutes("a sender's clock off by more is corrected and raised"), 10.0)
    work_time_share: float = told(f.Share("most of the work time that a fill may plan to use", above=0), 0.75)
    chance_to_strip: float = told(f.Share("chance of having stripped that a setting aims at", above=0, most=0.999), 0.8)
    cover_days_warn: float = told(f.Number("days of cover below which stock is raised", least=0), 5.0)
    draw_window_days: float = told(f.Number("days over which the draw is averaged", above=0, most=3660), 28.0)
    loss_warn_pct: float = told(f.Percent("difference at a count, of what moved, that is raised"), 3.0)
    double_entry_min: float = told(f.Minutes("like records this close together are raised"), 10.0)
    level_gap_pct: float = told(f.Percent("gap between a level and the book that is raised"), 10.0)
    sand_moved_c: float = told(f.Number("change of the sand's temperature that asks for a new setting", above=0), 3.0)
    table_valid_h: float = told(f.Hours("how long a table of settings may be used", least=0.1, most=87_600), 24.0)
    delivery_least_share: float = told(f.Share("a delivery below this share of the usual one is raised"), 0.1)
    mix_off_share: float = told(f.Share("a mix this far outside its window, as a share of its end, is raised"), 0.25)
    pour_least_min: float = told(f.Minutes("a mould poured sooner after its last sand is raised"), 60.0)
    knock_out_least_min: float = told(f.Minutes("a mould knocked out sooner after pouring is raised"), 60.0)
    exposure: Mapping[str, ExposureTable] = told(
        Named(Nested(ExposureTable), "the shop's own limits of exposure, by agent; they go before the usual ones"), dict
    )


TABLES: Mapping[str, type[Any]] = {
    "materials": Material,
    "places": Place,
    "binder_systems": BinderSystem,
    "mixers": Mixer,
    "measures": Measure,
    "patterns": Pattern,
    "people": Person,
}
SINGLE: Mapping[str, type[Any]] = {"shop": ShopTable, "calendar": Calendar, "limits": Limits}


def schema_of(table: type[Any]) -> Declared:
    """The schema that reads one table of the set-up."""
    declared = {entry.name: entry.metadata["field"] for entry in dataclasses.fields(table) if "field" in entry.metadata}
    made: type[Declared] = type(f"{table.__name__}Schema", (Declared,), dict(declared))
    return made()


def schema_of_purpose() -> Declared:
    """The schema of what mixes of one purpose have of their own: fields of their binder system, none required."""
    declared = {}
    for entry in dataclasses.fields(BinderSystem):
        if entry.name in OWN_OF_PURPOSE:
            declared[entry.name] = copy(entry.metadata["field"])
            declared[entry.name].required = False
    made: type[Declared] = type("OfPurposeSchema", (Declared,), declared)
    return made()
