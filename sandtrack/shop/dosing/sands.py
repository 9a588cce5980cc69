"""The sand a mould is made of: the share of each material in it, and which sands count as one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from sandtrack.plant import Mixer
from sandtrack.shop.dosing.systems import System
from sandtrack.shop.picture import Picture

# practice: a tenth more or less of the reclaimed sand is within what a shop's mixing varies by; more is another sand.
ALIKE_SHARE = 0.1

Sand = Mapping[str, float]
"""Material → its share of the sand."""

_HAIR = 1e-9  # shares that differ by exactly a tenth are alike


def of_mix(picture: Picture, seq: int, at: int) -> Sand | None:
    """The sand that a mix drew, as it was booked; None where it drew none."""
    rows = picture.reader.connection.execute(
        "SELECT material, mass_mg FROM movement WHERE at = ? AND event = ? AND record <= ? "
        "AND source <> 'conversion' AND target <> 'conversion'",
        (at, seq, picture.reader.last),
    )
    day, masses = picture.setups.on(at), Counter[str]()
    for material, mass in rows:
        if day.is_sand(material):
            masses[material] += mass
    return {material: mass / masses.total() for material, mass in masses.items()} or None


def places(picture: Picture, mixer: Mixer, system: System) -> dict[str, str]:
    """Place of each sand that a mixer draws for a system, by its stream."""
    day, draws = picture.day, mixer.draws.get(system.key, {})
    return {
        stream: place
        for stream, place in draws.items()
        if (material := day.material_at(place)) and day.is_sand(material)
    }


def not_drawn(mixer: Mixer, system: System) -> list[str]:
    """Sands of a system that a mixer has no place for, by stream; none where the set-up does not say what it draws."""
    draws = mixer.draws.get(system.key)
    return [name for name, share in system.entry.sand_shares.items() if share > 0 and draws and name not in draws]


def by_place(picture: Picture, mixer: Mixer, system: System) -> dict[str, float]:
    """Share of the sand drawn from each place, by the usual share of reclaimed; empty where the set-up tells none."""
    own, share = places(picture, mixer, system), system.entry.reclaimed_share
    if system.entry.sand_shares:
        shares = {name: part for name, part in system.entry.sand_shares.items() if part > 0}
        return {own[name]: part for name, part in shares.items()} if set(shares) <= set(own) else {}
    if len(set(own.values())) == 1:
        return dict.fromkeys(own.values(), 1.0)
    if share is None or set(own) != {"new_sand", "reclaimed_sand"}:
        return {}
    parts = {own["new_sand"]: round(1 - share, 9), own["reclaimed_sand"]: share}
    return {place: part for place, part in parts.items() if part > 0}


def drawn(picture: Picture, mixer: Mixer, system: System) -> Sand | None:
    """The sand that a mixer draws by the usual share of reclaimed sand; None where the set-up does not say it."""
    material = picture.day.material_at
    if system.entry.sand_shares:
        return {material(place): part for place, part in by_place(picture, mixer, system).items()} or None
    kinds = {material(place) for place in places(picture, mixer, system).values()}
    if len(kinds) == 1:
        return dict.fromkeys(kinds, 1.0)
    return {material(place): part for place, part in by_place(picture, mixer, system).items()} or None


def told_apart(sands: Iterable[Sand]) -> tuple[Sand, ...]:
    """The sands that differ, each from all before it; so a sand in use keeps its place when another one comes."""
    kinds: list[Sand] = []
    for sand in sands:
        if nearest(sand, kinds) is None:
            kinds.append(sand)
    return tuple(kinds)


def nearest(sand: Sand, kinds: Sequence[Sand]) -> int | None:
    """Place of the kind that a sand is most like; None where it is like none of them."""
    apart = [_apart(sand, kind) for kind in kinds]
    least = min(apart, default=1.0)
    return apart.index(least) if least <= ALIKE_SHARE + _HAIR else None


def _apart(one: Sand, other: Sand) -> float:
    """Largest difference in the share of a material."""
    return max(abs(one.get(material, 0.0) - other.get(material, 0.0)) for material in {*one, *other})


def words(picture: Picture, sand: Sand) -> str:
    """A sand for people, what there is most of first."""
    parts = sorted(sand.items(), key=lambda part: (-part[1], part[0]))
    return " + ".join(
        f"{100 * share:.0f} % {picture.name('materials', material)}" for material, share in parts if share >= 0.005
    )
