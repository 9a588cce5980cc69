"""A question about a mixer's setting as read: names of the set-up, numbers out of what people write."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError, InputErrors
from sandtrack.plant import PURPOSES_APART, Mixer, Pattern
from sandtrack.records.events import PURPOSES
from sandtrack.shop.answer import Flag
from sandtrack.shop.dosing import systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.dosing.warmth import Surroundings
from sandtrack.shop.picture import Picture
from sandtrack.shop.wording import listed
from sandtrack.trade.cure import CureLaw


@dataclass(frozen=True)
class Asked:
    """The question as read."""

    mixer: Mixer
    system: System
    numbers: dict[str, float]
    pattern: Pattern | None
    purpose: str | None

    @property
    def wanted_min(self) -> float | None:
        """Strip time wanted: said, else the pattern's usual, else that of the purpose or the system."""
        said = self.numbers.get("strip_time_min")
        if said is None and self.pattern is not None:
            said = self.pattern.usual_strip_min
        return self.system.entry.usual_strip_min if said is None else said

    @property
    def wanted_or_reference_min(self) -> float | None:
        """Strip time wanted; where none is said or usual, that of the reference, unless a setting is asked about."""
        reference = self.system.entry.reference
        if self.wanted_min is None and self.what_if is None and reference is not None:
            return reference.strip_time_min
        return self.wanted_min

    @property
    def box_kg(self) -> float | None:
        said = self.numbers.get("box_sand_kg")
        return self.pattern.box_sand_kg if said is None and self.pattern is not None else said

    @property
    def what_if(self) -> float | None:
        """A setting asked about, of what sets the speed."""
        return self.numbers.get(self.system.lever_field)

    @property
    def purposes_apart(self) -> list[str]:
        """Purposes whose mixes have settings of their own."""
        return [purpose for purpose in PURPOSES_APART if self.system.entry.own(purpose)]

    def of_purpose(self) -> Iterator[Flag]:
        """Said where mixes of the purpose go by the system's settings, or where others than these have their own."""
        system, apart = self.system, self.purposes_apart
        if self.purpose is None and apart:
            text = (
                f"{listed(apart)} mixes of {system.name} have settings of their own: ask with the purpose; these are "
                "the whole mould's"
            )
            yield Flag("purpose_not_said", text, system.key)
        elif self.purpose in PURPOSES_APART and self.purpose not in apart:
            text = f"no settings of {self.purpose} mixes are stated for {system.name}: these are the system's"
            yield Flag("purpose_by_system", text, system.key)

    def around(self, law: CureLaw) -> Surroundings | None:
        """Pattern and room, each standing in for the other where only one is given; None where neither is."""
        pattern, room = self.numbers.get("pattern_temp_c"), self.numbers.get("surroundings_c")
        if pattern is None and room is None:
            return None
        first = pattern if pattern is not None else room
        second = room if room is not None else pattern
        said_min = self.numbers.get("time_constant_min")
        return Surroundings(law.activation_energy_kj_mol, first or 0.0, second or 0.0, self.box_kg, said_min)


_READ: dict[str, Callable[[Any], float]] = {
    "sand_temp_c": lambda raw: units.parse(raw, "temperature", field="sand_temp_c"),
    "strip_time_min": lambda raw: units.parse(raw, "time", field="strip_time_min", unit="min"),
    "box_sand_kg": lambda raw: units.parse(raw, "mass", field="box_sand_kg"),
    "chance": lambda raw: float(units.number(raw, field="chance")),
    "pattern_temp_c": lambda raw: units.parse(raw, "temperature", field="pattern_temp_c"),
    "surroundings_c": lambda raw: units.parse(raw, "temperature", field="surroundings_c"),
    "time_constant_min": lambda raw: units.parse(raw, "time", field="time_constant_min", unit="min"),
    "minutes_ago": lambda raw: units.parse(raw, "time", field="minutes_ago", unit="min"),
    "filled_for_min": lambda raw: units.parse(raw, "time", field="filled_for_min", unit="min"),
    "catalyst_pct": lambda raw: units.parse(raw, "percent", field="catalyst_pct"),
    "fast_share": lambda raw: float(units.number(raw, field="fast_share")),
}


def read(
    picture: Picture,
    mixer: str,
    binder_system: str,
    raw: dict[str, Any],
    pattern: str | None,
    purpose: str | None,
) -> Asked:
    """Read a question; raises UnknownName, InputErrors."""
    machine: Mixer = picture.plant.named("mixers", mixer)
    system = systems.named(picture.plant, binder_system, purpose)
    card: Pattern | None = None if pattern is None else picture.plant.named("patterns", pattern)
    numbers: dict[str, float] = {}
    problems: list[FieldError] = []
    for name, value in raw.items():
        if value is None:
            continue
        try:
            numbers[name] = _READ[name](value)
        except FieldError as problem:
            problems.append(problem)
    for name in ("strip_time_min", "box_sand_kg", "time_constant_min"):
        if numbers.get(name, 1.0) <= 0:
            problems.append(FieldError(field=name, value=raw[name], reason="is nothing", accepted="above 0"))
    for name in ("minutes_ago", "filled_for_min"):
        if numbers.get(name, 0.0) < 0:
            problems.append(FieldError(field=name, value=raw[name], reason="is negative", accepted="0 or more"))
    for name in ("pattern_temp_c", "surroundings_c"):
        if not LOWEST_C <= numbers.get(name, 0.0) <= HIGHEST_C:
            accepted = f"{LOWEST_C:g} to {HIGHEST_C:g} °C"
            problems.append(FieldError(field=name, value=raw[name], reason="is out of range", accepted=accepted))
    if "time_constant_min" in numbers and {"pattern_temp_c", "surroundings_c"}.isdisjoint(numbers):
        reason, accepted = "says how fast a mould drifts, but not to what", "with pattern_temp_c or surroundings_c"
        problems.append(
            FieldError(field="time_constant_min", value=raw["time_constant_min"], reason=reason, accepted=accepted)
        )
    if not 0 < numbers.get("chance", 0.5) < 1:
        problems.append(
            FieldError(field="chance", value=raw["chance"], reason="is out of range", accepted="between 0 and 1")
        )
    if purpose is not None and purpose not in PURPOSES:
        problems.append(FieldError(field="purpose", value=purpose, reason="is not known", accepted=", ".join(PURPOSES)))
    if problems:
        raise InputErrors(problems, what="the question")
    return Asked(machine, system, numbers, card, purpose)
