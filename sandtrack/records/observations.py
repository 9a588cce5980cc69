"""Kinds of record that observe, test, hold or withdraw; of these only a count changes what the book says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from sandtrack.errors import FieldError
from sandtrack.records import composite as c
from sandtrack.records import fields as f
from sandtrack.records.events import PURPOSES
from sandtrack.records.record import Record, one_of
from sandtrack.records.schema import Declared

DEFINITIONS = ("hand", "hardness", "strength", "late_moulding_loss")
TEMPERATURES_OF = ("place", "mixed_sand", "pattern", "air", "resin", "catalyst")
SAND_TESTS: Mapping[str, tuple[str, ...]] = {
    "loss_on_ignition": ("crucible_g", "before_g", "after_g", "furnace_c"),
    "sieve": ("6", "12", "20", "30", "40", "50", "70", "100", "140", "200", "270", "pan", "clay"),
    "acid_demand": ("sand_g", "acid_ml", "acid_normality", "base_ml", "base_normality", "end_ph"),
    "moisture": ("before_g", "after_g"),
    "strength": ("load_n", "area_mm2", "age_h"),
    "ph": (),
    "sand_temperature": (),
    "other": (),
}
READINGS = tuple(dict.fromkeys(name for names in SAND_TESTS.values() for name in names))


class Count(Record):
    """A place was counted: from here on the book goes by this."""

    at = f.DayEndInstant("when it was counted; a bare date is the end of that day", required=True)
    place = f.Key("the place", required=True, refers="places")
    material = f.Key("the material counted; default: the place's own", refers="materials")
    mass_kg = f.Mass("mass found", zero=True)
    empty = f.Flag("true if the place was found empty, of every material")
    method = f.Name("how it was counted")
    error_pct = f.Percent("how far off it may be")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        if values.get("empty"):
            if "material" in values:
                yield FieldError(
                    field="material",
                    reason="cannot stand beside empty",
                    accepted="empty for every material, or material with mass_kg 0",
                )
            mass = values.get("mass_kg", 0)
            if isinstance(mass, f.Measured) or mass != 0:
                yield FieldError(field="mass_kg", reason="is not 0 in an empty place", accepted="0 or left out")
        elif "mass_kg" not in values:
            yield FieldError(field="mass_kg", reason="is missing", accepted="mass_kg, or empty true")


class Level(Record):
    """The level of a silo or tank was read."""

    place = f.Key("the place", required=True, refers="places")
    level_m = f.Length("height of the sand or liquid above the outlet", least=0)
    ullage_m = f.Length("free height below the top", least=0)

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from one_of(values, ("level_m", "ullage_m"))


class TemperatureReading(Record):
    """A temperature was taken."""

    what = f.Choice("what was measured", words=TEMPERATURES_OF, required=True)
    place = f.Key("the place, where one was measured", refers="places")
    mixer = f.Key("the mixer whose sand was measured", refers="mixers")
    value_c = f.Temperature("the temperature", required=True, most=1000)
    humidity_pct = f.Percent("relative humidity")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        if values["what"] == "place" and "place" not in values:
            yield FieldError(field="place", reason="is missing", accepted="the place that was measured")


class StripCheck(Record):
    """How long a mould really took to strip, from its last sand; most often an interval."""

    mould = f.Name("the mould looked at")
    mix = f.Name("id of the mix looked at")
    binder_system = f.Key("the binder system", refers="binder_systems")
    mixer = f.Key("the mixer", refers="mixers")
    definition = f.Choice("how strip was judged", required=True, words=DEFINITIONS)
    reading = f.Number("reading of the gauge that was taken as firm")
    scale = f.Name("scale or unit of that reading")
    earliest_min = f.Minutes("not yet firm at this time")
    latest_min = f.Minutes("firm at this time", above=0)
    catalyst_pct = f.Percent("catalyst in force, on resin", most=200)
    fast_share = f.Share("share of the fast grade in force")
    sand_temp_c = f.Temperature("temperature of the mixed sand at discharge", required=True)
    lot = f.Name("lot of the resin")
    catalyst_lot = f.Name("lot of the catalyst, where one sets the speed by its amount")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        if "mould" not in values and "mix" not in values and "binder_system" not in values:
            yield FieldError(field="mould", reason="is missing", accepted="mould, mix or binder_system")
        yield from one_of(values, ("catalyst_pct", "fast_share"), none_too=True)
        for name in ("reading", "scale"):
            if name in values and values["definition"] == "hand":
                yield FieldError(
                    field=name, reason="is no part of strip judged by hand", accepted="a gauge's definition"
                )
        if "earliest_min" not in values and "latest_min" not in values:
            yield FieldError(field="latest_min", reason="is missing", accepted="earliest_min, latest_min or both")
        elif values.get("latest_min", values.get("earliest_min")) < values.get("earliest_min", 0):
            yield FieldError(
                field="latest_min",
                value=f"{values['latest_min']:g} min",
                reason=f"is before earliest_min, {values['earliest_min']:g} min",
                accepted="firm at or after the last look that was not",
            )


class Sample(Declared):
    """Where a sample of sand came from."""

    place = f.Key("the place", refers="places")
    lot = f.Name("the lot")
    mix = f.Name("id of the mix")
    run = f.Name("id of the reclaim run")


class SandTest(Record):
    """A test of the sand laboratory."""

    test = f.Choice("which test", words=tuple(SAND_TESTS), required=True)
    method = f.Name("by which method or standard")
    sample = c.Part(Sample, "where the sample came from")
    readings = c.Values("what was read off, under the names of the test", names=READINGS)
    results = c.Values("results, where they were worked out already")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        known = SAND_TESTS[values["test"]]
        for name in values.get("readings", ()):
            if known and name not in known:
                yield FieldError(
                    field=f"readings.{name}", reason=f"is not a reading of {values['test']}", accepted=", ".join(known)
                )
        if not values.get("readings") and not values.get("results"):
            yield FieldError(field="readings", reason="is missing", accepted="readings, results or both")


class Catch(Declared):
    """One timed catch."""

    seconds = f.Seconds("time of the catch", required=True, above=0)
    mass_kg = f.Mass("mass caught", required=True)


class Calibration(Record):
    """Timed, weighed catches of one stream of a mixer at one setting."""

    mixer = f.Key("the mixer", required=True, refers="mixers")
    stream = f.Name("which stream: sand, resin, catalyst …", required=True)
    setting = f.Number("the setting on the mixer's own scale", required=True)
    catches = c.Rows(Catch, "timed, weighed catches", required=True, prefix="catch")


class Exposure(Record):
    """A measured exposure of people to dust or vapour."""

    agent = f.Name("what was measured", required=True)
    value = f.Number("measured value", required=True, least=0)
    unit = f.Name("its unit, as mg/m3 or ppm", required=True)
    hours = f.Hours("over how many hours", above=0)
    where = f.Name("where")
    method = f.Name("how")


class Hold(Record):
    """Something may not be used until it is released."""

    place = f.Key("the place held", refers="places")
    lot = f.Name("the lot held")
    mould = f.Name("the mould held")
    reason = f.Text("why", required=True)

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        yield from one_of(values, ("place", "lot", "mould"))


class Release(Hold):
    """What was held, or blocked by its record, may be used again; lifts only what was recorded before."""


class DealtWith(Record):
    """Somebody dealt with an item of the attention list; it hides what had happened by then, and nothing later."""

    code = f.Name("code of the item, as the attention list gives it", required=True)
    subject = f.Name("what the item is about, as the list gives it: place, mould, mixer, lot, sender …", required=True)
    done = f.Text("what was found and done", required=True)
    by = f.Name("who dealt with it", required=True)


class TableRow(Declared):
    """What a table says for one temperature of the sand."""

    sand_temp_c = f.Temperature("temperature of the mixed sand", required=True)
    serves = f.Flag("whether a setting serves", required=True)
    verdict = f.Choice("yes, test_piece: only with a test piece, or no", words=("yes", "test_piece", "no"))
    resin_pct = f.Percent("resin, on sand")
    catalyst_pct = f.Percent("catalyst, on its family's base", most=200)
    fast_share = f.Share("share of the fast grade")
    chance_to_strip = f.Share("chance of having stripped by the wanted time")
    strip_low_min = f.Minutes("strip time, low end")
    strip_mid_min = f.Minutes("strip time, middle")
    strip_high_min = f.Minutes("strip time, high end")
    work_low_min = f.Minutes("work time, low end")
    work_mid_min = f.Minutes("work time, middle")
    work_high_min = f.Minutes("work time, high end")
    fill_within_min = f.Minutes("longest time that a fill may plan to take")
    flows_kg_min = c.Amounts("flow of each stream")
    flows_ml_min = c.Amounts("flow of each liquid of known density")
    pump_settings = c.Amounts("each liquid on its pump's own scale, where its calibration was in force")
    pumps_beyond = c.Items(f.Name(), "liquids whose pump is set beyond what was caught")
    look_at = c.Items(f.Name(), "codes of what is to look at in this row")
    because = f.Text("why no setting serves", longest=1000)
    instead = f.Text("the first way out", longest=1000)


class TableIssued(Record):
    """A table of settings by sand temperature was given out: to the wall, or to a device to keep."""

    number = f.Number("number of the table; each shop counts its own", required=True, least=1)
    mixer = f.Key("the mixer", required=True, refers="mixers")
    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    pattern = f.Key("the pattern card", refers="patterns")
    purpose = f.Choice("what the sand is in the mould", words=PURPOSES)
    expires_at = f.Instant("from when on it is not to be used any more", required=True)
    wanted_strip_min = f.Minutes("strip time aimed at")
    wanted_chance = f.Share("chance of having stripped by then")
    box_sand_kg = f.Kilograms("sand that the box takes")
    ask_again_moved_c = f.Number("change of the sand's temperature that asks for another row", least=0)
    catalyst_base = f.Name("what the catalyst is a percentage of")
    asked = c.Values("what was asked, so that the same sent again is known")
    basis = f.Text("what it rests on, a line each", longest=10_000)
    look_at = f.Text("what was to look at, a line each", longest=10_000)
    cautions = f.Text("its cautions, a line each, as they were worded then", longest=10_000)
    caution_codes = c.Items(f.Name(), "codes of its cautions, one for each line of `cautions`")
    rows = c.Rows(TableRow, "the table", required=True, prefix="row")

    def rules(self, values: Mapping[str, Any]) -> Iterable[FieldError]:
        if not values["number"].is_integer():
            yield FieldError(
                field="number", value=values["number"], reason="is not a whole number", accepted="1, 2, 3 …"
            )
        if values["expires_at"] <= values["at"]:
            yield FieldError(field="expires_at", reason="is not after `at`", accepted="a later time")


class RecordName(Declared):
    """Which record is meant."""

    sender = f.Name("its sender", required=True)
    id = f.Name("its id", required=True)


class Reversal(Record):
    """A record is withdrawn: the same, backwards, at the original's time."""

    at = f.Instant("when it was withdrawn; default: when recorded")
    of = c.Part(RecordName, "the record withdrawn", required=True)
    reason = f.Text("why", required=True)
