"""How long stock lasts at the shop's own draw, and by when to order."""

from __future__ import annotations

import math
from datetime import date, timedelta
from statistics import fmean, stdev
from typing import Any

from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.picture import KG, Picture

COVERAGE = 0.8
_Z = 1.2815515655446004
_LONGEST = 3650.0


def cover(picture: Picture) -> Answer:
    """Days of cover of every place that is drawn from, by the draw of the last weeks.

    Values, each by place: `cover_days` (working days), `draw_kg_day`, `stock_kg`, `runs_out_on`, `order_by`
    (where the set-up has a lead time); `not_counted` lists places that are drawn from and were never counted, which
    have a draw alone. Ranges: `cover_days.PLACE`.
    """
    window = picture.plant.limits.draw_window_days
    last = picture.today
    days = picture.working_days(last - timedelta(days=round(window)), last)
    values: dict[str, dict[str, Any]] = {
        "cover_days": {},
        "draw_kg_day": {},
        "stock_kg": {},
        "runs_out_on": {},
        "order_by": {},
    }
    ranges: dict[str, Range] = {}
    flags: list[Flag] = []
    not_counted: list[str] = []
    for key, place in picture.plant.places.items():
        if not place.material or place.kind in ("heap", "reclaimer", "skip"):
            continue
        drawn = picture.reader.drawn_by_day(key, place.material, days[0].isoformat() if days else "", last.isoformat())
        series = [drawn.get(day.isoformat(), 0) / KG for day in days]
        if not any(series):
            continue
        mean, spread = fmean(series), stdev(series) if len(series) > 1 else 0.0
        if picture.reader.anchor(key, place.material, picture.at) is None:
            values["draw_kg_day"][key] = mean
            not_counted.append(key)
            flags.append(_not_counted(picture, key))
            continue
        stock = picture.reader.stock_mg(key, place.material, picture.at) / KG - (place.reserve_kg or 0.0)
        low, mid, high = _days(stock, mean, spread)
        out, sooner = picture.working_days_after(last, mid), picture.working_days_after(last, low)
        values["cover_days"][key], values["draw_kg_day"][key] = mid, mean
        values["stock_kg"][key], values["runs_out_on"][key] = stock, out.isoformat()
        ranges[f"cover_days.{key}"] = Range(low, mid, high, COVERAGE, "by how the draw varied from day to day")
        if place.lead_time_days is not None:
            order = sooner - timedelta(days=math.ceil(place.lead_time_days))
            values["order_by"][key] = order.isoformat()
            flags += _order(picture, key, order, last, mid)
        elif mid < picture.plant.limits.cover_days_warn:
            flags.append(Flag("low_cover", f"{picture.name('places', key)} lasts {mid:.1f} working days", key))
    return Answer(
        question="cover",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={**values, "not_counted": not_counted},
        ranges=ranges,
        basis=(
            Basis("draw", f"mean of {len(days)} working days up to {last}", "record", picture.head),
            Basis(
                "order by",
                "low end of the range, less the lead time",
                "derived",
                "one chance in ten of running out before the delivery, as far as the past draw tells",
            ),
        ),
        flags=tuple(flags),
        head=picture.head,
    )


def _days(stock_kg: float, mean_kg: float, spread_kg: float) -> tuple[float, float, float]:
    """Working days until the stock is drawn, with its range: the sum of n days varies by spread·√n."""
    if stock_kg <= 0:
        return 0.0, 0.0, 0.0
    mid = stock_kg / mean_kg
    reach = _Z * spread_kg
    root = math.sqrt(reach**2 + 4 * mean_kg * stock_kg)
    low = ((root - reach) / (2 * mean_kg)) ** 2
    high = ((root + reach) / (2 * mean_kg)) ** 2
    return min(low, _LONGEST), min(mid, _LONGEST), min(high, _LONGEST)


def _not_counted(picture: Picture, key: str) -> Flag:
    name = picture.name("places", key)
    return Flag("never_counted", f"{name} was never counted, so nobody knows how long it lasts: count it", key)


def _order(picture: Picture, key: str, order: date, today: date, days: float) -> list[Flag]:
    name = picture.name("places", key)
    if order <= today:
        return [
            Flag(
                "order_now",
                f"{name} lasts {days:.1f} working days: order now (the day to order was {order})"
                if order < today
                else f"{name} lasts {days:.1f} working days: order today",
                key,
            )
        ]
    return []
