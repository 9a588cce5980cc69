"""People: exposures above the limit, or that cannot be judged, and names that nobody knows."""

from __future__ import annotations

from collections.abc import Iterator

from sandtrack.errors import FieldError
from sandtrack.ledger.around import is_first_of
from sandtrack.shop.picture import Seen
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import Evidence
from sandtrack.shop.watch.dangerous.places import named
from sandtrack.trade.exposure import ExposureLimit, exposure_passed

_UNITS = {"mg/m3": "mg/m³", "ug/m3": "µg/m³"}


def exposed(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """A measured exposure above the shop's own limit, or else the one of the table; or one that cannot be judged."""
    values = seen.values
    agent = values["agent"]
    own = tuple(
        ExposureLimit(
            agent=name.replace("_", " "), unit=limit.unit, shift=limit.shift, short=limit.short, ceiling=limit.ceiling,
            tag="shop", source="the shop's set-up",
        )
        for name, limit in ev.day(seen.at).plant.limits.exposure.items()
    )  # fmt: skip
    where = f" at {values['where']}" if "where" in values else ""
    try:
        passed = exposure_passed(
            agent=agent, value=values["value"], unit=values["unit"], hours=values.get("hours"), own=own
        )
    except FieldError as unknown:
        text = (
            f"{agent} {values['value']:g} {values['unit']}{where} was not judged ({named(ev, seen)}): {unknown.field} "
            f"{unknown.reason}. Ask a competent person whether it is above the limit"
        )
        yield Danger("exposure_not_judged", agent, text, seen.seq, seen.at)
        return
    if passed is None:
        return
    unit = _UNITS.get(passed.limit.unit, passed.limit.unit)
    text = (
        f"{agent} {values['value']:g} {values['unit']}{where} is above the {passed.kind} limit of {passed.most:g} "
        f"{unit} ({passed.limit.source}; {named(ev, seen)}): stop that work or protect the people there, then find the "
        "cause. Local law goes first"
    )
    yield Danger("exposure_over_limit", agent, text, seen.seq, seen.at)


def person_unknown(ev: Evidence, seen: Seen) -> Iterator[Danger]:
    """The first record of a sender that is neither a person nor a mixer of the set-up, where that lists people."""
    plant = ev.picture.plant
    if not plant.people or seen.sender in plant.people or seen.sender in plant.mixers or seen.kind == "plant":
        return
    if any(seen.sender == person.name for person in plant.people.values()):
        return
    if is_first_of(ev.reader, seen.sender, seen.seq):
        text = f"{seen.sender} is new here and not among the people of the set-up: is the name right?"
        yield Danger("person_unknown", seen.sender, text, seen.seq, seen.at)
