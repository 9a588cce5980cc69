"""What calibrations and doses of mixers say, as text."""

from __future__ import annotations

from sandtrack.report.text import Names, day, mass, number, table, units_show, wrapped
from sandtrack.shop import Answer
from sandtrack.shop.mixers.said import WORDS
from sandtrack.units import show

_STATES = {"steady": "steady", "off": "STEADILY OFF", "drifted": "DRIFTED"}


def calibration(given: Answer, names: Names, units: str) -> list[str]:
    """A mixer's streams: rate, range, drift, and the setting for each system's usual mix."""
    values = given.values
    if not values["streams"]:
        return []
    rows, wanted = [], []
    for stream, one in values["streams"].items():
        span = given.ranges.get(f"rate_kg_min.{stream}")
        rows.append(
            (
                stream.replace("_", " "),
                day(one["calibrated_at"])[:10],
                f"{one['setting']:g}",
                _flow(one["rate_kg_min"], units),
                f"{_flow(span.low, units).split()[0]} to {_flow(span.high, units)}" if span else "–",
                "–" if one["largest_pct"] is None else f"{one['largest_pct']:.1f} %",
                "–" if one["drift_pct"] is None else f"{one['drift_pct']:+.1f} %",
                "–" if one["tolerance_pct"] is None else f"{one['tolerance_pct']:g} %",
            )
        )
        for system, aim in one["wanted"].items():
            reach = given.ranges.get(f"setting.{stream}.{system}")
            wanted.append(
                (
                    stream.replace("_", " "),
                    names("binder_systems", system),
                    _flow(aim["kg_min"], units),
                    "–" if aim["setting"] is None else number(aim["setting"]),
                    f"{number(reach.low)} to {number(reach.high)}" if reach else "–",
                )
            )
    lines = [names("mixers", values["mixer"])]
    lines += table(
        ("stream", "caught", "setting", "rate", "could be", "apart", "moved since before", "tolerance"), rows
    )
    if wanted:
        lines += table(("stream", "for", "wanted", "set", "could be"), wanted, left=2)
    for system, found in values["ratio_error_pct"].items():
        for name, value in found.items():
            if value is not None:
                span = given.ranges.get(f"ratio_error_pct.{system}.{name}")
                sure = f" (could be {span.low:+.1f} to {span.high:+.1f} %)" if span else ""
                lines += wrapped(
                    "  ",
                    f"with settings left as before, {names('binder_systems', system)} has {abs(value):.1f} % "
                    f"{'more' if value > 0 else 'less'} {name.replace('_', ' ')}{sure}",
                )
    if values["due_on"]:
        lines.append(f"due by {values['due_on']}{', OVERDUE' if values['overdue'] else ''}")
    return lines


def audit(given: Answer, names: Names, units: str) -> list[str]:
    """Each thing dosed against what it should be, drifts, and tanks against doses."""
    values = given.values
    lines = [f"from {day(values['since'])} to {day(values['until'])}", *_charts(given, names)]
    lines += _tanks(given, names, units)
    by_because: dict[str, list[str]] = {}
    for key, because in values["not_judged"].items():
        by_because.setdefault(because, []).append(_named(key, names))
    for because, keys in by_because.items():
        lines += wrapped("not judged  ", f"{'; '.join(keys)}: {because}")
    return lines


def _charts(given: Answer, names: Names) -> list[str]:
    """A row for each thing dosed, then what the columns mean."""
    found = given.values["series"]
    rows = []
    for key, one in found.items():
        span, unit = given.ranges[f"off.{key}"], one["unit"]
        finds = one["mixes_to_find_tolerance"]
        rows.append(
            (
                names("mixers", one["mixer"]),
                names("binder_systems", one["binder_system"]),
                WORDS[one["what"]],
                _STATES[one["state"]],
                f"{one['mixes']:,} of {one['mixes_made']:,}",
                f"{one['off']:+.2f} {unit}",
                f"{span.low:+.2f} to {span.high:+.2f} {unit}",
                "–" if one["tolerance"] is None else f"± {one['tolerance']:.2g} {unit}",
                "–" if finds is None else f"{finds:.0f} mixes",
            )
        )
    if not rows:
        return []
    heads = ("mixer", "binder", "dosed", "is", "mixes judged", "off", "could be", "tolerance", "shows in")
    false = sum(one["false_alarms_at_most"] for one in found.values())
    return [
        *table(heads, rows, left=4),
        *wrapped("  off       ", "mean of the period against what it should be; could be: by chance of its mixes"),
        *wrapped("  shows in  ", "mixes on average until a lasting error as large as the tolerance is found"),
        *wrapped("  by mere chance  ", f"at most {false:.1f} false alarms in this period, all rows together"),
    ]


def _tanks(given: Answer, names: Names, units: str) -> list[str]:
    """What tanks gave against the doses: each as a whole, and the stretches that are surely off."""
    rows = []
    for nth, one in enumerate(given.values["tanks"]):
        if not one["whole"] and not one["surely_off"]:
            continue
        error = given.ranges[f"drawn_kg.{nth}"].high - one["measured_kg"]
        pct = "" if one["off_pct"] is None else f" ({one['off_pct']:+.1f} %)"
        sign = "-" if one["off_kg"] < 0 else "+"
        rows.append(
            (
                names("places", one["place"]),
                one["by"],
                day(one["since"])[:10],
                day(one["until"])[:10],
                mass(one["doses_kg"], units),
                f"{sign}{_tenths(abs(one['off_kg']), units)}{pct}",
                f"± {_tenths(error, units)}",
                "OFF" if one["surely_off"] else "" if one["within_errors"] else "perhaps off",
            )
        )
    heads = ("tank", "by", "from", "to", "doses", "drawn more by", "sure to", "is")
    return table(heads, rows, left=4) if rows else []


def _named(key: str, names: Names) -> str:
    """A series or a place, in words."""
    mixer, _, rest = key.partition(".")
    system, _, what = rest.partition(".")
    if not what:
        return names("places", key)
    return f"{WORDS[what]} of {names('binder_systems', system)} on {names('mixers', mixer)}"


def _flow(value_kg_min: float, units: str) -> str:
    return units_show(value_kg_min, "mass_flow", units)


def _tenths(value_kg: float, units: str) -> str:
    return show(value_kg, "mass", system=units, digits=1)
