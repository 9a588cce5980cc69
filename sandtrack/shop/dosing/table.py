"""A table of settings by sand temperature, for a device to keep and for the wall: the setting asked row by row."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from sandtrack import units
from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import times
from sandtrack.shop import dangers
from sandtrack.shop.answer import Answer, Basis, Flag
from sandtrack.shop.dosing import systems
from sandtrack.shop.dosing.checks import HIGHEST_C, LOWEST_C
from sandtrack.shop.dosing.serving import plain_yes_c
from sandtrack.shop.dosing.setting import limit, setting
from sandtrack.shop.picture import Picture
from sandtrack.trade.advice import Verdict

MOST_ROWS = 61
ANSWER_OLD_S = 60
"""An answer may be this old when it is read: the service keeps it for its minute."""
_HOUR = 3_600_000_000
_KEPT = (
    "mixer",
    "binder_system",
    "pattern",
    "purpose",
    "expires_at",
    "wanted_strip_min",
    "wanted_chance",
    "box_sand_kg",
    "ask_again_moved_c",
    "catalyst_base",
)
_SET = ("resin_pct", "catalyst_pct", "fast_share", "chance_to_strip", "fill_within_min", "flows_kg_min", "flows_ml_min")


def table(
    picture: Picture,
    mixer: str,
    binder_system: str,
    *,
    lowest_c: float | str,
    highest_c: float | str,
    step_c: float | str = 2.0,
    strip_time_min: float | str | None = None,
    pattern: str | None = None,
    box_sand_kg: float | str | None = None,
    purpose: str | None = None,
    chance: float | None = None,
) -> Answer:
    """What to set at each sand temperature from `lowest_c` to `highest_c`, computed by the setting's own function.

    Values: `mixer`, `binder_system`, `pattern`, `purpose` and `box_sand_kg` where asked with them, `lowest_c`,
    `highest_c`, `step_c`, `made_at`, `expires_at` (`table_valid_h` of the limits after it), `expires_in_s`,
    `ask_again_moved_c`, `wanted_strip_min`, `wanted_chance`, `catalyst_base`, `say`, and `rows`: `sand_temp_c`,
    `serves`, `verdict` (yes, test_piece, no), `look_at` (codes of flags that are not every row's); where a setting
    serves, or a test piece may be made with it, `resin_pct`, `catalyst_pct`, `fast_share` (grades only),
    `chance_to_strip`, `strip_low_min`, `strip_mid_min`, `strip_high_min`, `work_low_min`, `work_mid_min`,
    `work_high_min`, `fill_within_min`, `flows_kg_min` and `flows_ml_min` by stream, `pump_settings` ({liquid: on its
    pump's own scale}, where a calibration is in force), `pumps_beyond` (liquids whose pump is set beyond what was
    caught); where none serves `because` and `instead`, the first way out.
    A "no" where no row serves; "test_piece" where no more than that may be made in any row. Raises UnknownName,
    InputErrors.
    """
    temps, low, high, step = _temperatures(lowest_c, highest_c, step_c)
    asked = [
        setting(
            picture,
            mixer,
            binder_system,
            temp,
            strip_time_min=strip_time_min,
            pattern=pattern,
            box_sand_kg=box_sand_kg,
            purpose=purpose,
            chance=chance,
            supposed=True,
        )
        for temp in temps
    ]
    first, limits = asked[0], picture.plant.limits
    # what is wrong at every temperature is answered before it is known what strip time is wanted
    whole_no = next((one for one in asked if not one.possible and "wanted_strip_min" not in one.values), None)
    valid_us = round(limits.table_valid_h * _HOUR)
    values: dict[str, Any] = {
        **{
            name: first.values[name]
            for name in ("mixer", "binder_system", "pattern", "purpose")
            if name in first.values
        },
        "lowest_c": low,
        "highest_c": high,
        "step_c": step,
        "made_at": picture.as_of,
        "expires_at": times.show(picture.at + valid_us, picture.zone),
        "expires_in_s": max(0, valid_us // 1_000_000 - ANSWER_OLD_S),
        "ask_again_moved_c": limits.sand_moved_c,
    }
    if box_sand_kg is not None:
        values["box_sand_kg"] = units.parse(box_sand_kg, "mass", field="box_sand_kg")
    if whole_no is not None:
        return _answer(picture, values, asked, whole_no.because, whole_no.instead)
    values |= {name: first.values[name] for name in ("wanted_strip_min", "wanted_chance")}
    settings = [one.values.get("nearest", one.values) for one in asked]
    values["catalyst_base"] = next((one["catalyst_base"] for one in settings if "catalyst_base" in one), "")
    values["say"] = (
        f"measure the sand at the mixer and take the row nearest to it; measure again and take another row once the "
        f"sand has moved by {limits.sand_moved_c:g} °C; between and beyond the rows, ask"
    )
    of_all = set.intersection(*({(flag.code, flag.subject) for flag in one.flags} for one in asked))
    values["rows"] = [_row(temp, one, of_all) for temp, one in zip(temps, asked, strict=True)]
    if not any(row["serves"] for row in values["rows"]):
        tried: Verdict = "test_piece" if any(row["verdict"] == "test_piece" for row in values["rows"]) else "no"
        because = (
            f"no setting serves at any sand temperature from {low:g} to {high:g} °C; at {low:g} °C: {first.because}"
        )
        return _answer(picture, values, asked, because, tuple(dict.fromkeys(one.instead[0] for one in asked)), tried)
    return _answer(picture, values, asked)


def _temperatures(
    lowest_c: float | str, highest_c: float | str, step_c: float | str
) -> tuple[list[float], float, float, float]:
    """The rows' temperatures, coldest first; raises InputErrors."""
    problems: list[FieldError] = []
    told: dict[str, float] = {}
    for name, raw in (("lowest_c", lowest_c), ("highest_c", highest_c)):
        try:
            told[name] = units.parse(raw, "temperature", field=name)
            if not LOWEST_C <= told[name] <= HIGHEST_C:
                accepted = f"{LOWEST_C:g} to {HIGHEST_C:g} °C"
                problems.append(FieldError(field=name, value=raw, reason="is out of range", accepted=accepted))
        except FieldError as problem:
            problems.append(problem)
    try:
        step = float(units.number(step_c, field="step_c"))
        if not step > 0:
            problems.append(FieldError(field="step_c", value=step_c, reason="is nothing", accepted="above 0"))
    except FieldError as problem:
        problems.append(problem)
    if problems:
        raise InputErrors(problems, what="the question")
    low, high = told["lowest_c"], told["highest_c"]
    if high < low:
        wrong = FieldError(field="highest_c", value=highest_c, reason="is below lowest_c", accepted="a higher one")
        raise InputErrors([wrong], what="the question")
    steps = math.floor((high - low) / step + 1e-9)
    if steps >= MOST_ROWS:
        accepted = f"at most {MOST_ROWS} rows: a wider step, or a shorter span"
        wrong = FieldError(field="step_c", value=step_c, reason=f"makes {steps + 1} rows", accepted=accepted)
        raise InputErrors([wrong], what="the question")
    return [round(low + count * step, 6) for count in range(steps + 1)], low, high, step


def _row(temp: float, one: Answer, of_all: set[tuple[str, str]]) -> dict[str, Any]:
    look_at = list(dict.fromkeys(flag.code for flag in one.flags if (flag.code, flag.subject) not in of_all))
    row: dict[str, Any] = {"sand_temp_c": temp, "serves": one.possible, "verdict": one.verdict, "look_at": look_at}
    if not one.possible:
        row |= {"because": one.because, "instead": one.instead[0] if one.instead else ""}
    if one.verdict == "no":
        return row
    setting_of = one.values if one.possible else one.values["nearest"]
    row |= {name: setting_of[name] for name in _SET if name in setting_of}
    for what in ("strip", "work"):
        span = one.ranges.get(f"{what}_time_min")
        ends = one.values["nearest"][f"{what}_time_min"] if span is None else asdict(span)
        row |= {f"{what}_{end}_min": ends[end] for end in ("low", "mid", "high")}
    pumps = setting_of["pumps"]
    row["pump_settings"] = {liquid: pump["setting"] for liquid, pump in pumps.items()}
    row["pumps_beyond"] = [liquid for liquid, pump in pumps.items() if not pump["inside"]]
    return row


def _answer(
    picture: Picture,
    values: dict[str, Any],
    asked: list[Answer],
    because: str = "",
    instead: tuple[str, ...] = (),
    verdict: Verdict = "yes",
) -> Answer:
    limits = picture.plant.limits
    until = f"{limits.table_valid_h:g} h, to {values['expires_at']}"
    valid = limit("valid for", until, "table_valid_h", limits)
    moved = limit("ask again", f"when the sand has moved by {limits.sand_moved_c:g} °C", "sand_moved_c", limits)
    flags = [*_gathered(asked), *_beyond_the_window(picture, values)]
    if values["step_c"] > limits.sand_moved_c:
        text = (
            f"steps of {values['step_c']:g} °C are wider than the {limits.sand_moved_c:g} °C that ask for a new setting"
        )
        flags.append(Flag("step_coarse", text, values["mixer"]))
    family = picture.day.find("binder_systems", values["binder_system"]).family
    return Answer(
        question="table",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values=values,
        basis=(*_in_each(asked), valid, moved),
        flags=tuple(flags),
        cautions=dangers.cautions("table", [family], [flag.code for flag in flags]),
        possible=not because,
        verdict=verdict,
        because=because,
        instead=instead,
        head=picture.head,
    )


def _beyond_the_window(picture: Picture, values: Mapping[str, Any]) -> Iterator[Flag]:
    """Raised where a row that serves is the nearest to sand outside the window too: that sand has no plain yes."""
    system = systems.named(picture.plant, values["binder_system"], values.get("purpose"))
    low, high = plain_yes_c(system)
    reach = min(values["step_c"] / 2, values["ask_again_moved_c"])
    served = [row["sand_temp_c"] for row in values.get("rows", ()) if row["serves"]]
    if served and (min(served) - reach < low or max(served) + reach > high):
        text = f"sand below {low:g} or above {high:g} °C needs a test piece, or is not used: no row is for it"
        yield Flag("rows_end_at_window", text, values["binder_system"])


def _in_each(asked: list[Answer]) -> list[Basis]:
    """What every row rests on; the sand's temperature is the row's own."""
    return [
        one for one in asked[0].basis if one.what != "sand temperature" and all(one in other.basis for other in asked)
    ]


def _gathered(asked: list[Answer]) -> list[Flag]:
    """Flags of all rows once each; what is not said of every row is said with the temperatures it is said of."""
    told: dict[tuple[str, str], list[tuple[float | None, Flag]]] = {}
    for one in asked:
        for flag in one.flags:
            told.setdefault((flag.code, flag.subject), []).append((one.values.get("sand_temp_c"), flag))
    every = [one.values["sand_temp_c"] for one in asked if "sand_temp_c" in one.values]
    found = []
    for rows in told.values():
        first = rows[0][1]
        temps = [temp for temp, _ in rows if temp is not None]
        same = all(flag.text == first.text for _, flag in rows)
        if (same and len(rows) == len(asked)) or not temps or (len(rows) == 1 and "°C" in first.text):
            found.append(first)
        elif same:
            found.append(Flag(first.code, f"at {_spans(temps, every)}: {first.text}", first.subject))
        else:
            like = f"{first.text} (the like at {_spans(temps[1:], every)})"
            found.append(Flag(first.code, like, first.subject))
    return found


def _spans(said_of: list[float], temps: list[float]) -> str:
    """Rows as their temperatures, neighbours as one span: "7 to 11 and 27 °C"."""
    runs: list[list[float]] = []
    for before, temp in zip([None, *temps], temps, strict=False):
        if temp in said_of:
            if runs and runs[-1][-1] == before:
                runs[-1].append(temp)
            else:
                runs.append([temp])
    told = [f"{run[0]:g}" if len(run) == 1 else f"{run[0]:g} to {run[-1]:g}" for run in runs]
    return f"{' and '.join(told)} °C"


def content_of(made: Answer, number: int, by: str, asked: Mapping[str, Any]) -> Mapping[str, Any]:
    """A table that is given out, as the record that keeps it, with what was asked."""
    values = made.values
    content: dict[str, Any] = {name: values[name] for name in _KEPT if values.get(name) is not None}
    rows = [{name: value for name, value in row.items() if value not in (None, "", [], {})} for row in values["rows"]]
    content |= {"at": values["made_at"], "number": number, "by": by, "asked": asked, "rows": rows}
    content |= {name: "\n".join(lines) for name, lines in as_lines(made).items() if lines}
    if made.cautions:
        content |= {
            "cautions": "\n".join(caution.text for caution in made.cautions),
            "caution_codes": [caution.code for caution in made.cautions],
        }
    return content


def as_lines(made: Answer) -> dict[str, list[str]]:
    """What a table rests on and its flags, as they are kept and printed."""
    return {
        "basis": [f"{one.what}: {one.value} [{one.tag}: {one.source}]" for one in made.basis],
        "look_at": [flag.text for flag in made.flags],
    }
