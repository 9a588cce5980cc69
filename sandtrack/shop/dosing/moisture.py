"""Moisture of the sands that a mixer draws: each stream's own and that of the blend, by their last tests."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop import laboratory
from sandtrack.shop.answer import Basis, Flag
from sandtrack.shop.dosing import sands
from sandtrack.shop.dosing.systems import System, system
from sandtrack.shop.picture import Picture, Seen
from sandtrack.shop.wording import several
from sandtrack.trade.advice import moisture_advice
from sandtrack.trade.family import Family, Limit

PROVES_DAYS = 7.0  # practice: a silo is drawn and filled within about a week; an older test is no proof of its sand
OLDEST_DAYS = 60.0  # practice: beyond that a test says nothing at all
WET, VERY_WET, OLD = "sand_wet", "sand_very_wet", "wet_test_old"
RESULT = "moisture_pct"
_DAY = 86_400_000_000


@dataclass(frozen=True)
class Wetness:
    """What is known of the moisture of a mixer's sand."""

    flags: tuple[Flag, ...] = ()
    basis: tuple[Basis, ...] = ()


@dataclass(frozen=True)
class _Test:
    """The last moisture test of a place."""

    id: str
    value_pct: float
    age_days: float
    day: str

    @property
    def proves(self) -> bool:
        return self.age_days <= PROVES_DAYS

    @property
    def age(self) -> str:
        return "today" if self.age_days < 1 else f"{several(int(self.age_days), 'day')} ago"


def judged(picture: Picture, mixer: Mixer, system: System) -> Wetness:
    """Flags on wet sand, for each stream and for the blend, and what they rest on."""
    places = set(sands.places(picture, mixer, system).values())
    tests = _latest(picture, places)
    flags = [flag for place in sorted(tests) for flag in _of_place(picture, system, place, tests[place])]
    raised = {flag.code for flag in flags}  # a blend of wet sands is no further news
    blend = _of_blend(mixer, system.family, sands.by_place(picture, mixer, system), tests)
    flags += [flag for flag in blend if flag.code not in raised]
    return Wetness(tuple(flags), tuple(_basis(picture, places, tests)))


def of_test(picture: Picture, seen: Seen) -> list[Flag]:
    """What a moisture test says for the binders that draw from its place, the worst of it."""
    place = seen.values.get("sample", {}).get("place", "")
    if seen.values["test"] != "moisture" or not place:
        return []
    value = laboratory.result(seen).value(RESULT)
    if value is None or not 0 <= value <= 100:
        return []
    test = _Test(seen.id, value, (picture.at - seen.at) / _DAY, times.day_of(seen.at, picture.zone))
    flags: dict[str, Flag] = {}
    for mixer in picture.plant.mixers.values():
        for key in mixer.binder_systems:
            used = system(picture.plant.binder_systems[key], None)
            if place in sands.places(picture, mixer, used).values():
                for flag in _of_place(picture, used, place, test):
                    flags.setdefault(flag.code, flag)
    return [flags[code] for code in (VERY_WET, WET, OLD) if code in flags][:1]


def _latest(picture: Picture, places: set[str]) -> dict[str, _Test]:
    """The last moisture test of each place."""
    tests: dict[str, _Test] = {}
    if not places:
        return tests
    since = picture.at - round(OLDEST_DAYS * _DAY)
    for seen in picture.records("sand_test", since=since, newest_first=True, naming=places):
        place = seen.values.get("sample", {}).get("place", "")
        if seen.values["test"] != "moisture" or place not in places or place in tests:
            continue
        value = laboratory.result(seen).value(RESULT)
        if value is not None and 0 <= value <= 100:
            day = times.day_of(seen.at, picture.zone)
            tests[place] = _Test(seen.id, value, (picture.at - seen.at) / _DAY, day)
    return tests


def _of_place(picture: Picture, system: System, place: str, test: _Test) -> list[Flag]:
    """What the test of one silo says: wet, far too wet, or wet when it was last tested, which is no proof by now."""
    where = f"{picture.name('places', place)} (test {test.id} of {test.day})"
    for advice in moisture_advice(_by_material(picture, system.family, place), test.value_pct):
        if test.proves:
            return [Flag(advice.code, f"{where}: {advice.text}", place)]
        text = f"{where}: {advice.text}; that was {test.age}, so test it again before moulds are made of it"
        return [Flag(OLD, text, place)]
    return []


def _by_material(picture: Picture, family: Family, place: str) -> Family:
    """The family with the limit of the place's material where that is stricter."""
    limits = picture.day.find("materials", picture.day.material_at(place)).limits
    most = limits.get(RESULT, (None, None))[1]
    if most is None or most >= family.moisture_limit_pct.value:
        return family
    own = Limit(value=most, unit=family.moisture_limit_pct.unit, tag="shop", source="limits of the material")
    return replace(family, moisture_limit_pct=own)


def _of_blend(mixer: Mixer, family: Family, parts: Mapping[str, float], tests: Mapping[str, _Test]) -> list[Flag]:
    """What the sand as drawn is, where each of several silos has a test that is young enough."""
    if len(parts) < 2 or not all(place in tests and tests[place].proves for place in parts):
        return []
    blend = sum(share * tests[place].value_pct for place, share in parts.items())
    return [Flag(each.code, f"the sand as drawn: {each.text}", mixer.key) for each in moisture_advice(family, blend)]


def _basis(picture: Picture, places: set[str], tests: Mapping[str, _Test]) -> list[Basis]:
    """The test of each silo with its age; one that was not tested is no proof of dry sand."""
    basis = []
    for place in sorted(places):
        name, test = picture.name("places", place), tests.get(place)
        if test is None:
            value = f"{name}: not tested in the last {OLDEST_DAYS:g} days, so not known to be dry"
            basis.append(Basis("moisture of the sand", value, "default", "no moisture test"))
            continue
        old = "" if test.proves else f"; older than {PROVES_DAYS:g} days, so no proof"
        value = f"{name}: {test.value_pct:.2g} %, tested {test.age}{old}"
        basis.append(Basis("moisture of the sand", value, "record", f"test {test.id}"))
    return basis
