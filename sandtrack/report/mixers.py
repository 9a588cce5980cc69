"""What calibrations and doses of mixers say, as text."""

from __future__ import annotations

from sandtrack.report.text import Names, day, mass, number, table, units_show, wrapped
from sandtrack.shop import Answer


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
                f"{_flow(span.low, units).split()[0]} to {_flow(span.high, units).split()[0]}" if span else "–",
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
    lines += table(("stream", "caught", "setting", "rate", "could be", "apart", "moved", "tolerance"), rows)
    if wanted:
        lines += table(("stream", "for", "wanted", "set", "could be"), wanted, left=2)
    for system, found in values["ratio_error_pct"].items():
        for name, value in found.items():
            if value is not None:
                span = given.ranges.get(f"ratio_error_pct.{system}.{name}")
                sure = f" ({span.low:+.1f} to {span.high:+.1f} %)" if span else ""
                lines.append(
                    f"{names('binder_systems', system)}: {name.replace('_', ' ')} {value:+.1f} %{sure} as set before"
                )
    if values["due_on"]:
        lines.append(f"due by {values['due_on']}{', OVERDUE' if values['overdue'] else ''}")
    return lines


def audit(given: Answer, names: Names, units: str) -> list[str]:
    """Each thing dosed against what it should be, drifts, and tanks against doses."""
    values = given.values
    lines = [f"from {day(values['since'])} to {day(values['until'])}"]
    rows = []
    for key, one in values["series"].items():
        span, unit = given.ranges[f"off.{key}"], "%" if one["unit"] == "%" else "pt"
        rows.append(
            (
                names("mixers", one["mixer"]),
                names("binder_systems", one["binder_system"]),
                one["what"].replace("_", " ").removesuffix(" pct"),
                f"{one['mixes']:,}",
                f"{one['off']:+.2f} {unit}",
                f"{span.low:+.2f} to {span.high:+.2f}",
                "–" if one["tolerance"] is None else f"{one['tolerance']:.2g} {unit}",
                "–" if one["mixes_to_find_tolerance"] is None else f"{one['mixes_to_find_tolerance']:.0f}",
                f"{one['false_alarms_at_most']:.1f}",
            )
        )
    heads = ("mixer", "binder", "dosed", "mixes", "off", "could be", "tolerance", "found in", "false ≤")
    lines += table(heads, rows, left=3) if rows else []
    if rows:
        lines += wrapped(
            "  found in ",
            "mixes on average until a lasting error of the tolerance shows; false ≤: alarms by mere chance",
        )
    for key, because in values["not_judged"].items():
        lines += wrapped("not judged  ", f"{key}: {because}")
    compared = [
        (
            names("places", one["place"]),
            one["by"],
            day(one["since"])[:10],
            day(one["until"])[:10],
            mass(one["doses_kg"], units),
            mass(one["measured_kg"], units),
            mass(given.ranges[f"drawn_kg.{number}"].high - one["measured_kg"], units),
        )
        for number, one in enumerate(values["tanks"])
    ]
    lines += table(("tank", "by", "from", "to", "doses", "drawn", "sure to ±"), compared, left=4) if compared else []
    return lines


def _flow(value_kg_min: float, units: str) -> str:
    return units_show(value_kg_min, "mass_flow", units)
