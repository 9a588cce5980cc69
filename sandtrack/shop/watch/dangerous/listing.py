"""Dangerous events on the attention list: those of one cause are one item, and it goes when it is dealt with."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from sandtrack.shop.picture import KG
from sandtrack.shop.watch.dangerous.danger import Danger
from sandtrack.shop.watch.dangerous.evidence import Evidence
from sandtrack.shop.watch.dangerous.judging import of_window
from sandtrack.shop.watch.items import Occurred, occurred
from sandtrack.shop.watch.recent import Recent
from sandtrack.shop.wording import clock, listed, several

KEPT_BY_OTHERS = frozenset({"two_families"})
"""Codes that another check of the list keeps while they last."""
UNTIL_POURED = frozenset({"mix_without_catalyst", "mix_far_off_ratio", "streams_swapped", "liquid_of_other_family"})
MOULDS_SHOWN = 6


def dangerous_events(recent: Recent) -> Iterator[Occurred]:
    """Dangerous events of the window: one item for each code and subject, with how many there are."""
    picture = recent.picture
    ev = Evidence(picture, many=True)
    groups: dict[tuple[str, str], list[tuple[Danger, tuple[str, ...]]]] = {}
    for danger in of_window(ev, recent.since, recent.new_mixes):
        if danger.code in KEPT_BY_OTHERS or _in_mixes(ev, danger) or _released(ev, danger) or _still_over(ev, danger):
            continue
        if recent.is_dealt_with(danger.code, danger.subject, danger.at):
            continue
        left = _left(ev, danger)
        if danger.moulds and danger.code in UNTIL_POURED and not left:
            continue
        groups.setdefault((danger.code, danger.subject), []).append((danger, left))
    for (code, subject), items in groups.items():
        last = items[-1][0]
        text = last.text
        if len(items) > 1:
            first = clock(items[0][0].at, picture.zone)
            text += f"; {several(len(items), 'record')} like it since {first}"
            moulds = list(dict.fromkeys(mould for _, left in items for mould in left))
            if moulds:
                shown = moulds[:MOULDS_SHOWN]
                more = f" and {len(moulds) - len(shown)} more" if len(moulds) > len(shown) else ""
                text += f", moulds {', '.join(shown) + more if more else listed(shown)}"
        yield occurred(code, text, subject, at=last.at)


def _left(ev: Evidence, danger: Danger) -> tuple[str, ...]:
    """Moulds of a bad mix that still stand, not poured, and that nobody has released."""
    if danger.code not in UNTIL_POURED:
        return ()
    return tuple(mould for mould in danger.moulds if not _dealt_with(ev, mould, danger.at))


def _dealt_with(ev: Evidence, mould: str, since: int) -> bool:
    at = ev.picture.at
    _, after = ev.life(mould, since)
    if ev.ended_before(mould, at + 1) >= since or ev.pours(mould, since, min(after, at)):
        return True
    return any(cause.code == "released" and since <= cause.at <= at for cause in ev.causes("mould", mould))


def _in_mixes(ev: Evidence, danger: Danger) -> bool:
    """Whether it is sand that mixes drew: the list adds that up by mixer and material itself."""
    return danger.code == "sand_of_other_family" and ev.seen(danger.record).kind == "mix"


def _still_over(ev: Evidence, danger: Danger) -> bool:
    """Whether the place is past its mark now: then the stock says so itself."""
    if danger.code not in ("tank_over_mark", "over_safe_fill"):
        return False
    most = ev.picture.day.find("places", danger.subject).safe_fill_kg
    at = ev.picture.at
    return (
        most is not None
        and sum(ev.reader.stock_mg(danger.subject, held, at) for held in ev.met(danger.subject)) > most * KG
    )


def _released(ev: Evidence, danger: Danger) -> bool:
    """Whether somebody has released the place that a wrong material went into; its block stands on the list itself."""
    if danger.code not in ("wrong_material", "resin_meets_acid"):
        return False
    causes = ev.causes("place", danger.subject)
    if danger.code == "wrong_material" and any(cause.record == danger.record for cause in causes):
        return True  # the block that it made is listed until it is released
    at = ev.picture.at
    return any(cause.code == "released" and cause.record > danger.record and cause.at <= at for cause in causes)


CHECKS: tuple[Callable[[Recent], Iterator[Occurred]], ...] = (dangerous_events,)
