"""What the sand's own alkali takes from an acid cure, or its acid adds to it: a warning, never a correction."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sandtrack.plant import Mixer
from sandtrack.records import times
from sandtrack.shop import laboratory
from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing import sands
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture
from sandtrack.trade.acid import acid_taken_up_pct

_DAY = 86_400_000_000
OLDEST_DAYS = 60  # practice: acid demand moves with the circuit, by weeks
SHARE_OF_ACID = 0.15  # practice: raised where the sand may move the acid by more than this of what is usual
_USUAL_STRENGTH_PCT = 65.0  # practice: a sulphonic acid as delivered
_NAME = "acid_demand_ml"
TAKES_ALL = "acid_takes_all"


@dataclass(frozen=True)
class AcidDemand:
    """What the sand's acid demand says."""

    flags: tuple[Flag, ...] = ()
    taken_pct: float | None = None
    """Most of the acid that the sand can take up, % of resin; None where that is not known."""
    blend: str = ""
    """Demand of the sand as drawn, and the tests that it is from."""

    def takes_all(self, acid_pct: float) -> Flag | None:
        """Raised where a setting leaves no acid that surely cures, so that no strip time can be promised."""
        if self.taken_pct is None or self.taken_pct < acid_pct:
            return None
        text = (
            f"the sand's acid demand, {self.blend}, could take up to {self.taken_pct:.0f} % of resin in acid: all of "
            f"the {acid_pct:.4g} %, so no strip time can be promised"
        )
        return Flag(TAKES_ALL, text)


def demand(picture: Picture, mixer: Mixer, system: System) -> AcidDemand:
    """The acid demand of the sands that a mixer draws for an acid cure, by their last tests."""
    if "acid" not in system.family.hazards:
        return AcidDemand()
    parts = sands.by_place(picture, mixer, system)
    tests = _latest(picture, set(parts) or set(sands.places(picture, mixer, system).values()))
    outside = tuple(_outside(picture, tests))
    if not parts or set(tests) != set(parts):
        return AcidDemand(outside)
    blend_ml = sum(parts[place] * (result.value(_NAME) or 0.0) for place, result in tests.items())
    strength, resin = _strength_pct(picture, system), system.entry.resin_pct
    taken = float(acid_taken_up_pct(acid_demand_ml=blend_ml, resin_pct=resin, acid_strength_pct=strength))
    days = ", ".join(f"{result.id} of {times.day_of(result.at, picture.zone)}" for _, result in sorted(tests.items()))
    blend = f"{blend_ml:.1f} ml ({days})"
    return AcidDemand((*outside, *_against_the_usual(mixer, system.usual, taken, blend)), taken, blend)


def _outside(picture: Picture, tests: Mapping[str, laboratory.Result]) -> Iterator[Flag]:
    """Tests outside the limits of their sand."""
    for result in tests.values():
        for name, value, limits in laboratory.outside(picture, result):
            if name == _NAME:
                where = picture.name("places", result.place)
                text = (
                    f"acid demand of {where} is {value:.1f} ml, outside {limits} (test {result.id}): "
                    "ask for a test piece before the acid is changed"
                )
                yield Flag("acid_demand_outside", text, result.place)


def _against_the_usual(mixer: Mixer, usual: float | None, taken: float, blend: str) -> Iterator[Flag]:
    """How far the sand may move the acid from what is usual."""
    if not usual or abs(taken) <= SHARE_OF_ACID * usual:
        return
    if taken > 0:
        text = (
            f"the sand's acid demand, {blend}, could take up to {taken:.0f} % of resin in acid, of "
            f"the usual {usual:g} %: it may cure late or not through; test a piece, do not just add acid"
        )
        yield Flag("acid_demand", text, mixer.key)
    else:
        text = (
            f"the sand brings acid along, a demand of {blend}, up to {-taken:.0f} % of resin beside the usual "
            f"{usual:g} %: it may cure sooner than the times say; watch the work time"
        )
        yield Flag("acid_in_sand", text, mixer.key)


def _latest(picture: Picture, places: set[str]) -> dict[str, laboratory.Result]:
    """Last acid demand of each place, where it is young enough."""
    found: dict[str, laboratory.Result] = {}
    if not places:
        return found
    since = picture.at - OLDEST_DAYS * _DAY
    for seen in picture.records("sand_test", since=since, newest_first=True, naming=places):
        place = seen.values.get("sample", {}).get("place", "")
        if seen.values["test"] != "acid_demand" or place not in places or place in found:
            continue
        result = laboratory.result(seen)
        if result.value(_NAME) is not None:
            found[place] = result
            if len(found) == len(places):
                break
    return found


def _strength_pct(picture: Picture, system: System) -> float:
    """Strength of the acid, of two acids by their usual shares; the usual one where the set-up has none. [%]"""
    entry, fast = system.entry, system.entry.fast_share or 0.0
    parts = {entry.catalyst: 1.0} if entry.catalyst else {}
    parts |= {entry.catalysts[name]: share for name, share in (("slow", 1 - fast), ("fast", fast)) if entry.catalysts}
    return sum(
        share * (picture.day.find("materials", material).strength_pct or _USUAL_STRENGTH_PCT)
        for material, share in parts.items()
    )
