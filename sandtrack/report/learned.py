"""What the strip checks have taught, and whether a stopped fill can go on, as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sandtrack.report.tables import heading
from sandtrack.report.text import Names, minutes, number, table, wrapped
from sandtrack.shop import Answer
from sandtrack.shop.wording import chance, several


def learned(given: Answer, names: Names, units: str) -> list[str]:
    """The law with its ranges, what it rests on, how it foretold, and the next check."""
    values = given.values
    lines = [names("binder_systems", values["binder_system"])]
    if not given.possible:
        return lines
    lines += _checks(values)
    setting = next(name for name in ("fast_share", "catalyst_pct") if name in values["reference"])
    at = values["reference"][setting]
    where = f"{100 * at:.0f} % fast" if setting == "fast_share" else f"{number(at)} %"
    labels = {
        "strip_time_min": f"strip time at {values['reference']['temp_c']:g} °C, {where}: all moulds",
        "strip_time_of_a_mould_min": "… the next mould",
        "activation_energy_kj_mol": "activation energy, kJ/mol",
        "exponent": "exponent of the amount",
        "slope": "fall of ln(time), all slow to all fast",
        "check_sd": "chance of one mould, in ln(time)",
        "lot_sd": "lot against lot, in ln(time)",
    }
    moved = {
        name: f"{100 * values['moved'][key]:.0f} %"
        for key, *told in (
            ("reference_time", "strip_time_min"),
            ("activation_energy", "activation_energy_kj_mol"),
            ("exponent", "exponent", "slope"),
        )
        for name in told
    }
    rows = [
        (label, number(span.mid), f"{number(span.low)} to {number(span.high)}", moved.get(name, ""))
        for name, label in labels.items()
        if (span := given.ranges.get(name)) is not None
    ]
    lines += table(("", "is", "80 % within", "learned"), rows)
    for name, label in (("sand_temp_c", "°C"), (setting, "")):
        ends = values["spans"].get(name)
        if ends:
            unit = " °C" if label else " %" if name == "catalyst_pct" else ""
            what = "sand" if label else "setting"
            lines.append(f"  checked at {what} {number(ends[0])} to {number(ends[1])}{unit}")
    for sentence in values["words"]:
        lines += wrapped("  ", sentence)
    for jump in values["jumps"][1 if values["alarm"] else 0 :]:  # the words tell of the one that rang the alarm
        since = several(jump["checks_since"], "check")
        lines.append(f"  the law jumped {jump['change_pct']:+.0f} % {jump['age_days']:.0f} days ago ({since} since)")
    lines += _foretold(values["backtest"])
    lines += wrapped("  trust it? ", values["trust_words"])
    return lines + wrapped("  next     ", values["next_check"]["words"])


def _checks(values: Mapping[str, Any]) -> list[str]:
    """The checks that the law rests on, and those that were left out."""
    checks = several(values["checks"], "check")
    told = f"{checks} by {values['definition'].replace('_', ' ')}"
    reading = "" if values["reading"] is None else number(values["reading"])
    if gauge := f"{reading} {values['scale']}".strip():
        told += f" ({gauge})"
    if values["from"]:
        told += f" from {values['from']} to {values['until']}, worth {values['worth']:.0f} by their age"
    if values["lots"]:
        told += f", of {several(values['lots'], 'resin lot')}"
    if len(values["sands"]) > 1:
        told += f", on {len(values['sands'])} different sands"
    lines = wrapped("  rests on ", told)
    left_out = ", ".join(f"{count:,} {what.replace('_', ' ')}" for what, count in values["left_out"].items())
    return lines + (wrapped("  left out ", left_out) if left_out else [])


def _foretold(told: Mapping[str, Any] | None) -> list[str]:
    """How well each check was foretold from those before it, and by two simple rules."""
    if told is None:
        return []
    inside = ", ".join(f"{100 * told[f'inside_{cover}']:.0f} % in the {cover} % range" for cover in (50, 80, 95))
    fitted = "" if told["stride"] == 1 else f", learned anew every {told['stride']}"
    lines = wrapped("  foretold ", f"each check from those before it{fitted}: {inside}")
    if told["error_pct"] is None:
        return lines
    errors = (
        f"mean {told['error_pct']:.1f} %; the belief that never learns {told['error_default_pct']:.1f} %; the mean of "
        f"the checks so far, doubled for 10 °C colder, {told['error_mean_pct']:.1f} %"
    )
    return lines + wrapped("  error    ", errors)


def stopped(given: Answer, names: Names, units: str) -> list[str]:
    """What to do with the box."""
    values = given.values
    lines = [heading(values, names)]
    if "say" not in values:
        return lines
    lines += wrapped("  ", values["say"])
    span = given.ranges["work_time_min"]
    return [
        *lines,
        f"  work     {minutes(span.mid)}, could be {span.low:.0f} to {span.high:.0f}",
        f"  surface  {values['surface'].replace('_', ' ')}, {minutes(values['minutes_ago'])} old, "
        f"live with {chance(values['chance_live'])} chance",
    ]
