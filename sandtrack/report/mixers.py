"""What calibrations and doses of mixers say, as text."""

from __future__ import annotations

from sandtrack.report.text import Names, day, number, table, units_show
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
                    f"{names('binder_systems', system)}: {name.replace('_', ' ')} {value:+.1f} %{sure} with the settings "
                    "of before"
                )
    if values["due_on"]:
        lines.append(f"due by {values['due_on']}{', OVERDUE' if values['overdue'] else ''}")
    return lines


def _flow(value_kg_min: float, units: str) -> str:
    return units_show(value_kg_min, "mass_flow", units)
