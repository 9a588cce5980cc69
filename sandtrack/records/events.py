"""Kinds of record that move material, and what is poured and cast."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError
from sandtrack.records import composite as c
from sandtrack.records import fields as f
from sandtrack.records.record import Record, one_of, together
from sandtrack.records.schema import Declared

PURPOSES = ("facing", "backing", "core", "whole")


class Delivery(Record):
    """Sand or a liquid arrived: supplier → place."""

    place = f.Key("where it went", required=True, refers="places")
    material = f.Key("what came; default: the place's own material", refers="materials")
    mass_kg = f.Mass("net mass")
    gross_kg = f.Mass("mass of the full vehicle")
    tare_kg = f.Mass("mass of the empty vehicle", zero=True)
    ticket = f.Name("number of the delivery note")
    lot = f.Name("the supplier's lot")
    made_on = f.Day("day of making")
    use_by = f.Day("last day of use")
    density_kg_m3 = f.Density("density of the liquid as delivered", above=0)
    certificate = c.Values("values of the certificate; `passed` false blocks the place or lot", names=("passed",))

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from together(values, "gross_kg", "tare_kg")
        if "gross_kg" not in values:
            if "mass_kg" not in values:
                yield FieldError(field="mass_kg", reason="is missing", accepted="mass_kg, or gross_kg and tare_kg")
            return
        gross, tare = values["gross_kg"], values.get("tare_kg", 0)
        if isinstance(gross, f.Measured) or isinstance(tare, f.Measured):
            yield FieldError(field="gross_kg", reason="is a weighing and takes no measure", accepted="a mass")
        elif gross <= tare:
            yield FieldError(
                field="gross_kg",
                value=units.show_mass_mg(gross),
                reason=f"is not above tare_kg, {units.show_mass_mg(tare)}",
                accepted="the full vehicle's mass above the empty one's",
            )
        elif "mass_kg" in values and values["mass_kg"] != gross - tare:
            yield FieldError(
                field="mass_kg",
                reason=f"is not gross_kg less tare_kg, {units.show_mass_mg(gross - tare)}",
                accepted="the net mass, or gross and tare alone",
            )


class Transfer(Record):
    """Material moved within the shop: place → place, or into a mould."""

    source = f.Key("where it was taken", required=True, refers="places")
    target = f.Key("where it went", refers="places")
    mould = f.Name("number of the mould it went into")
    material = f.Key("what was moved; default: the source's own material", refers="materials")
    mass_kg = f.Mass("mass moved", required=True)
    lot = f.Name("lot moved")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from one_of(values, ("target", "mould"))
        if values.get("target") == values["source"]:
            yield FieldError(
                field="target", value=values["target"], reason="is the source itself", accepted="another place"
            )


class Stream(Declared):
    """One material that went into a mix."""

    place = f.Key("where it was drawn", required=True, refers="places")
    material = f.Key("what was drawn; default: the place's own material", refers="materials")
    lot = f.Name("lot drawn")
    mass_kg = f.Mass("mass drawn; 0 if nothing was", required=True, zero=True)


class Mix(Record):
    """One run of a mixer: streams → moulds, core store, heap or skip; all or none."""

    mixer = f.Key("the mixer", required=True, refers="mixers")
    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    purpose = f.Choice("what the sand is in the mould", words=PURPOSES)
    moulds = c.Items(f.Name(), "numbers of the moulds filled", distinct=True)
    patterns = c.Items(f.Key(refers="patterns"), "pattern of each mould, in the same order")
    shares = c.Items(f.Number(above=0), "how the run was shared over the moulds, in the same order")
    destination = f.Key("core store, heap or skip that took the sand instead of moulds", refers="places")
    started_at = f.Instant("when the run began; `at` is its end")
    sand_temp_c = f.Temperature("temperature of the mixed sand at discharge")
    air_temp_c = f.Temperature("temperature of the air")
    pattern_temp_c = f.Temperature("temperature of the pattern")
    streams = c.Rows(Stream, "what was drawn", required=True, prefix="stream", usual=6)

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from one_of(values, ("moulds", "destination"))
        moulds = values.get("moulds", ())
        for name in ("patterns", "shares"):
            if name in values and len(values[name]) != len(moulds):
                yield FieldError(
                    field=name,
                    value=list(values[name]),
                    reason=f"has {len(values[name])} entries, moulds has {len(moulds)}",
                    accepted="one for each mould, in the same order",
                )
        for stream in values["streams"]:
            if _some(stream["mass_kg"]):
                break
        else:
            yield FieldError(field="streams", reason="draw no mass at all", accepted="a mass above 0 in one of them")
        if "started_at" in values and values["started_at"] > values["at"]:
            yield FieldError(field="started_at", reason="is after the end of the run", accepted="a time before `at`")


def _some(mass: int | f.Measured) -> bool:
    return (mass.amount if isinstance(mass, f.Measured) else mass) > 0


class Pour(Record):
    """Moulds were poured."""

    moulds = c.Items(f.Name(), "numbers of the moulds", required=True, distinct=True)
    metal = f.Name("the metal", required=True)
    poured_kg = f.Mass("metal poured")
    temperature_c = f.Temperature("temperature of the metal", most=2000)


class KnockOut(Record):
    """Moulds were knocked out: all that was booked into them goes to the heap, liquids are consumed."""

    moulds = c.Items(f.Name(), "numbers of the moulds", required=True, distinct=True)
    to = f.Key("the heap", required=True, refers="places")
    carried_out_kg = f.Mass("sand that left with the castings", zero=True)


class MouldScrap(Record):
    """Moulds were given up before pouring: moulds → heap or skip, liquids are consumed."""

    moulds = c.Items(f.Name(), "numbers of the moulds", required=True, distinct=True)
    to = f.Key("the heap or skip", required=True, refers="places")
    reason = f.Text("why", required=True)


class Castings(Record):
    """Castings were counted good or rejected, perhaps days later."""

    good_kg = f.Mass("good castings", required=True, zero=True)
    rejected_kg = f.Mass("rejected castings", zero=True)
    moulds = c.Items(f.Name(), "numbers of the moulds", distinct=True)
    since = f.DayStartInstant("start of the period, where no moulds are named")
    until = f.DayEndInstant("end of the period")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from one_of(values, ("moulds", "since"))
        yield from together(values, "since", "until")
        if "since" in values and "until" in values and values["since"] > values["until"]:
            yield FieldError(field="until", reason="is before since", accepted="a later time")


class ReclaimRun(Record):
    """Used sand went through a reclaimer: heap → reclaimer → silo, lumps, dust."""

    source = f.Key("the heap fed from", required=True, refers="places")
    reclaimer = f.Key("the reclaimer", required=True, refers="places")
    fed_kg = f.Mass("used sand fed; default: the sum of what came out")
    returned_kg = f.Mass("reclaimed sand returned", required=True, zero=True)
    to = f.Key("the silo that took it", required=True, refers="places")
    lumps_kg = f.Mass("lumps and tramp metal", zero=True)
    lumps_to = f.Key("where the lumps went", refers="places")
    dust_kg = f.Mass("dust and fines", zero=True)
    dust_to = f.Key("where the dust went", refers="places")
    run_h = f.Hours("hours run")
    energy_kwh = f.Energy("electricity or fuel used")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        for what in ("lumps", "dust"):
            if f"{what}_kg" in values and _some(values[f"{what}_kg"]) and f"{what}_to" not in values:
                yield FieldError(
                    field=f"{what}_to", reason=f"is missing beside {what}_kg", accepted="the place it went to"
                )
        if not any(name in values and _some(values[name]) for name in ("fed_kg", "returned_kg", "lumps_kg", "dust_kg")):
            yield FieldError(
                field="fed_kg", reason="is nothing or not said, and nothing came out", accepted="some mass"
            )


class Disposal(Record):
    """Waste or surplus left the site: place → off site. Only this record takes sand off site."""

    place = f.Key("where it was taken", required=True, refers="places")
    material = f.Key("what left; default: the place's own material", refers="materials")
    waste = f.Name("what it is called as waste", required=True)
    mass_kg = f.Mass("mass that left", required=True)
    container = f.Name("skip or container")
    consignment = f.Name("number of the consignment note")
    destination = f.Name("who took it")
