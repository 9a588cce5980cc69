"""Results of sand tests, worked out from their readings; results that came with the record are kept apart."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sandtrack.errors import FieldError
from sandtrack.shop.picture import Picture, Seen
from sandtrack.trade.acid import acid_demand_ml
from sandtrack.trade.ignition import loss_on_ignition_pct
from sandtrack.trade.moisture import moisture_pct
from sandtrack.trade.sieve import grain_fineness_number

FINENESS_FACTORS: Literal["later"] = "later"
LOI = "loss_on_ignition_pct"
ALSO_CALLED: Mapping[str, str] = {"loi_pct": LOI}


@dataclass(frozen=True)
class Result:
    """One test: what its readings give, what was given with it, and what kept its readings from being used."""

    id: str
    test: str
    at: int
    place: str
    sample: Mapping[str, str]
    method: str
    computed: Mapping[str, float]
    given: Mapping[str, Any]
    problem: str = ""

    def value(self, name: str) -> float | None:
        """A result by name: the computed one, else the given one."""
        if name in self.computed:
            return self.computed[name]
        for given, value in self.given.items():
            if ALSO_CALLED.get(given, given) == name and isinstance(value, float):
                return value
        return None


def results(picture: Picture, since: int | None, until: int) -> list[Result]:
    """Every test of a period, in order of happening."""
    return [result(seen) for seen in picture.records("sand_test", since=since, until=until)]


def latest(found: Iterable[Result]) -> list[Result]:
    """The last one of each test and place."""
    last: dict[tuple[str, str], Result] = {}
    for result in found:
        last[(result.test, result.place)] = result
    return list(last.values())


def outside(picture: Picture, result: Result) -> Iterator[tuple[str, float, str]]:
    """Results outside the limits of the place's material: name, value, the limits in words."""
    if not result.place:
        return
    day = picture.setups.on(result.at)
    material = day.material_at(result.place)
    limits = day.find("materials", material).limits if material else {}
    for name, (low, high) in limits.items():
        value = result.value(ALSO_CALLED.get(name, name))
        if value is not None and ((low is not None and value < low) or (high is not None and value > high)):
            yield name, value, bounds(low, high)


def bounds(low: float | None, high: float | None) -> str:
    """Limits in words."""
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def result(seen: Seen) -> Result:
    """What one test gives."""
    values = seen.values
    sample = values.get("sample", {})
    computed: dict[str, float] = {}
    problem = ""
    work_out = _TESTS.get(values["test"])
    if work_out is not None and values.get("readings"):
        try:
            name, value = work_out(values["readings"])
            computed[name] = value
        except (FieldError, KeyError) as reason:
            missing = isinstance(reason, KeyError)
            problem = f"reading {reason.args[0]} is missing" if missing else str(reason)
    return Result(
        id=seen.id,
        test=values["test"],
        at=seen.at,
        place=sample.get("place", ""),
        sample=sample,
        method=values.get("method", ""),
        computed=computed,
        given=values.get("results", {}),
        problem=problem,
    )


def _loss_on_ignition(readings: Mapping[str, Any]) -> tuple[str, float]:
    loss = loss_on_ignition_pct(
        crucible_g=readings["crucible_g"], before_g=readings["before_g"], after_g=readings["after_g"]
    )
    return LOI, loss


def _sieve(readings: Mapping[str, Any]) -> tuple[str, float]:
    retained: dict[str | int, float] = dict(readings.items())
    return "grain_fineness_number", grain_fineness_number(retained, factors=FINENESS_FACTORS)


def _acid_demand(readings: Mapping[str, Any]) -> tuple[str, float]:
    normality = {name: readings[name] for name in ("acid_normality", "base_normality") if name in readings}
    demand = acid_demand_ml(
        sample_g=readings["sand_g"], acid_ml=readings["acid_ml"], base_ml=readings["base_ml"], **normality
    )
    return "acid_demand_ml", demand


def _moisture(readings: Mapping[str, Any]) -> tuple[str, float]:
    return "moisture_pct", moisture_pct(before_g=readings["before_g"], after_g=readings["after_g"])


_TESTS: Mapping[str, Callable[[Mapping[str, Any]], tuple[str, float]]] = {
    "loss_on_ignition": _loss_on_ignition,
    "sieve": _sieve,
    "acid_demand": _acid_demand,
    "moisture": _moisture,
}
