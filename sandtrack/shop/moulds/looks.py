"""What strip checks saw of standing moulds: a look at the mould itself counts more than any estimate of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from sandtrack.shop.dosing.judged import Judged
from sandtrack.shop.picture import Picture, Seen

if TYPE_CHECKING:
    from sandtrack.shop.moulds.standing import Mould

_MINUTE = 60_000_000


class Look(NamedTuple):
    """One look at a mould: firm or still soft at an instant."""

    at: int
    firm: bool
    minutes: float
    """As the check gives it, from the mould's last sand."""
    judged: Judged
    check: str
    """Id of the strip check."""


@dataclass(frozen=True)
class Looks:
    """All looks at one mould since it was filled, in order of time."""

    all: tuple[Look, ...] = ()

    @property
    def last(self) -> Look | None:
        """The look that counts; of two at one instant the soft one."""
        return max(self.all, key=lambda look: (look.at, not look.firm), default=None)

    @property
    def soft_at(self) -> int | None:
        """The latest instant at which it was still soft."""
        return max((look.at for look in self.all if not look.firm), default=None)

    @property
    def firm_at(self) -> int | None:
        """The first instant after the last soft look at which it was firm."""
        soft = self.soft_at
        return min((look.at for look in self.all if look.firm and (soft is None or look.at > soft)), default=None)

    def judged_as(self, wanted: Judged) -> Looks:
        """The looks that judged strip as an estimate does: no definition is converted into another."""
        return Looks(tuple(look for look in self.all if look.judged.agrees(wanted)))

    @property
    def contradictory(self) -> bool:
        """Whether it was firm first and soft later, which no mould can be."""
        soft = self.soft_at
        return soft is not None and any(look.firm and look.at <= soft for look in self.all)


def look_for_checks(picture: Picture, open_moulds: list[Mould]) -> None:
    """Give each mould the looks that strip checks took at it."""
    filled = {mould.number: mould for mould in open_moulds if mould.mixes}
    if not filled:
        return
    filled_by: dict[str, list[Mould]] = {}
    for mould in filled.values():
        for mix in mould.mixes:
            filled_by.setdefault(mix.id, []).append(mould)
    looks: dict[str, list[Look]] = {}
    since = min(mould.mixes[0].at for mould in filled.values())
    for check in picture.records("strip_check", since=since, naming={*filled, *filled_by}):
        for mould, firm_too in _moulds_of(check, filled, filled_by):
            looks.setdefault(mould.number, []).extend(_of_check(check, mould, firm_too))
    for number, own in looks.items():
        filled[number].looks = Looks(tuple(sorted(own, key=lambda look: (look.at, not look.firm))))


def _moulds_of(
    check: Seen, filled: Mapping[str, Mould], filled_by: Mapping[str, Iterable[Mould]]
) -> Iterator[tuple[Mould, bool]]:
    """Moulds that a check speaks of, and whether it can speak for their being firm; soft counts in any case.

    A check that names only a mix which filled several moulds saw one of them, and one whose mix, mixer or binder system
    is not the mould's may have seen another: neither makes a mould firm.
    """
    values = check.values
    if "mould" in values:
        named = filled.get(values["mould"])
        own = [] if named is None else [named]
    else:
        own = list(filled_by.get(values.get("mix", ""), ()))
    for mould in own:
        alone = "mould" in values or all(
            len(mix.values["moulds"]) == 1 for mix in mould.mixes if mix.id == values["mix"]
        )
        agrees = "mix" not in values or any(mix.id == values["mix"] for mix in mould.mixes)
        for name in ("binder_system", "mixer"):
            agrees = agrees and (name not in values or any(mix.values[name] == values[name] for mix in mould.mixes))
        yield mould, alone and agrees


def _of_check(check: Seen, mould: Mould, firm_too: bool) -> Iterator[Look]:
    """Looks of one check, its minutes counted from the last mix before it.

    Sand that came after the check has not been seen: it leaves a soft look as it is, and ends a firm one.
    """
    before = [mix.at for mix in mould.mixes if mix.at <= check.at]
    if not before:
        return
    start, judged, values = before[-1], Judged.of(check), check.values
    soft, firm = values.get("earliest_min", 0.0), values.get("latest_min")
    if soft > 0 and soft != firm:
        yield Look(start + round(soft * _MINUTE), False, soft, judged, check.id)
    if firm is not None and firm_too and len(before) == len(mould.mixes):
        yield Look(start + round(firm * _MINUTE), True, firm, judged, check.id)
