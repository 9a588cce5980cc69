"""The morning brief as text: one screen, no colour."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from sandtrack.report.text import NOT_COUNTED, STATE, Names, day, mass, number, table, units_show, wrapped
from sandtrack.shop import Answer
from sandtrack.shop.dangers import KEEP_AWAY
from sandtrack.shop.wording import chance, listed

LOOKS = 12
SHORT = {"no": "NO", "test_piece": "TEST PIECE"}
RANGES = "in brackets where 8 of 10 cases should lie"
_RATES = (
    ("reclaimed_share", "reclaimed share of the sand mixed"),
    ("reclaim_yield", "reclaim yield, out of the reclaimers ÷ fed"),
    ("sand_recovery", "sand recovery, returned to silos ÷ mixed"),
    ("new_sand_per_t_castings", "new sand a tonne of good castings"),
    ("waste_per_t_castings", "waste a tonne of good castings"),
)


def body(given: Answer, names: Names, units: str) -> list[str]:
    """The lines of the brief, from its answers."""
    answers = given.values["answers"]
    return [
        f"{given.values['shop']} · {day(given.as_of)}",
        "",
        *_keep_away(answers["attention"]),
        *_where(answers["stock"], answers["cover"], names, units),
        "",
        *_moulds(answers["moulds"]),
        "",
        *_settings(answers["settings"], units),
        "",
        *_came_back(answers["rates"], given.values["period"]),
        "",
        *_looks(answers["attention"]),
        "",
    ]


def _keep_away(attention: Mapping[str, Any]) -> list[str]:
    """What can kill who stands there now, before all else."""
    lines = [line for flag in attention["flags"] if flag["code"] in KEEP_AWAY for line in wrapped("! ", flag["text"])]
    return ["DANGER, KEEP AWAY", *lines, ""] if lines else []


def _where(stock: Mapping[str, Any], cover: Mapping[str, Any], names: Names, units: str) -> list[str]:
    """What is where and how long it lasts."""
    values, lasting = stock["values"], cover["values"]
    rows = []
    for place, held in values["stock_kg"].items():
        entry = names.plant.places.get(place)
        if entry is None or entry.kind == "reclaimer":  # sand on its way, not in store
            continue
        days = lasting["cover_days"].get(place)
        span = cover["ranges"].get(f"cover_days.{place}")
        for material, value in held.items():
            own = material == entry.material
            if not own and not value:
                continue
            label = names("places", place) + ("" if own else f": {names('materials', material)}")
            lasts = f"{days:.0f} ({span['low']:.0f} to {span['high']:.0f})" if span and own else "–"
            room = mass(values["room_kg"].get(place), units) if own else "–"
            by = lasting["order_by"].get(place, "–") if own else "–"
            unknown = own and place in values["not_counted"]
            rows.append((label, NOT_COUNTED if unknown else mass(value, units), room, lasts, by))
    return [*_stock_table(rows), *_count_first(values["not_counted"])]


def _count_first(places: list[str]) -> list[str]:
    """The first step of a new shop: a count of every place, from which the book goes on."""
    if not places:
        return []
    which = "this place" if len(places) == 1 else f"these {len(places)} places"
    return wrapped(
        "  count    ",
        f"count {which} first, then the book goes on from there: "
        f"sandtrack log count --place {places[0]} --mass … (or --empty true)",
    )


def _stock_table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    return table(("WHERE IT IS", "stock", "room", "lasts, working days", "order by"), rows)


def _moulds(moulds: Mapping[str, Any]) -> list[str]:
    """Moulds standing, in a line or two."""
    found = moulds["values"]["moulds"]
    if not found:
        return ["MOULDS  none standing"]
    poured = sum(mould["poured"] for mould in found.values())
    states = Counter(mould["state"] for mould in found.values() if mould["state"] != "poured")
    oldest = min(found, key=lambda key: found[key]["standing_since"])
    words = ", ".join(f"{count} {STATE[state]}" for state, count in states.most_common())
    return wrapped(
        "MOULDS  ",
        f"{len(found)} standing, {poured} of them poured"
        + (f"; not poured: {words}" if words else "")
        + f"; the oldest is {oldest}, since {day(found[oldest]['standing_since'])}",
    )


def _settings(settings: list[Mapping[str, Any]], units: str) -> list[str]:
    """What to set today, a row a mixer and binder system; a plain no where nothing serves."""
    rows, notes = [], []
    for given in settings:
        values = given["values"]
        label = f"{values['mixer']} {values['binder_system']}"
        found = values if given["possible"] else values.get("nearest")
        temp = values.get("sand_temp_c")
        if found is None or temp is None:
            notes += wrapped("  NO  ", f"{label}: {given['because']}")
            notes += [line for way in given["instead"][:1] for line in wrapped("  instead  ", f"{label}: {way}")]
            continue
        spans = {name: given["ranges"].get(name) or found.get(name) for name in ("strip_time_min", "work_time_min")}
        share = found.get("fast_share")
        lever = f"{number(found['catalyst_pct'])} %" if share is None else f"{100 * share:.0f} % fast"
        rows.append(
            (
                label,
                units_show(round(temp), "temperature", units),
                f"{number(found['resin_pct'])} %",
                lever,
                *(
                    f"{span['mid']:.0f} ({span['low']:.0f} to {span['high']:.0f})" if span else "–"
                    for span in spans.values()
                ),
                f"{chance(found['chance_to_strip'])} by {values['wanted_strip_min']:g}",
                "" if given["possible"] else SHORT[given["verdict"]],
            )
        )
        if not given["possible"] and given["instead"]:
            notes += wrapped("  instead  ", f"{label}: {given['instead'][0]}")
    lines = table(("SET TODAY", "sand", "resin", "catalyst", "strip, min", "work, min", "chance", ""), rows)
    return [*lines, *wrapped("  ", "; ".join([*_learned_from(settings), RANGES])), *notes, *_apart(settings)]


def _apart(settings: list[Mapping[str, Any]]) -> list[str]:
    """Which mixes are set otherwise than the rows say."""
    values = [given["values"] for given in settings]
    apart = {one["binder_system"]: listed(one["purposes_apart"]) for one in values if "purposes_apart" in one}
    told = "; ".join(f"{purposes} of {system}" for system, purposes in apart.items())
    return wrapped("  besides  ", f"{told}: settings of their own, asked for with the purpose") if told else []


def _learned_from(settings: list[Mapping[str, Any]]) -> list[str]:
    """What the strip times rest on, a word for each binder system."""
    told = {
        given["values"]["binder_system"]: basis["value"].split(",")[0]
        for given in settings
        for basis in given["basis"]
        if basis["what"] in ("strip times", "belief")
    }
    return [f"{system}: {words}" for system, words in told.items()]


def _came_back(rates: Mapping[str, Any], period: Mapping[str, str]) -> list[str]:
    """The named rates of the last weeks."""
    rows = []
    for name, label in _RATES:
        rate = rates["values"]["rates"].get(name)
        if rate is None or rate["value"] is None:
            rows.append((label, "not known"))
        elif rate["unit"] in ("kg/kg", "%/%"):
            rows.append((label, f"{100 * rate['value']:.0f} %"))
        else:
            rows.append((label, f"{rate['value']:.2f} {rate['unit']}"))
    return table((f"CAME BACK, {period['since']} to {period['until'][:10]}", ""), rows)


def _looks(attention: Mapping[str, Any]) -> list[str]:
    """What needs a look, the most urgent first; what stands before all else is not repeated."""
    flags = [flag for flag in attention["flags"] if flag["code"] not in KEEP_AWAY]
    if not flags:
        return ["LOOK AT  nothing else" if attention["flags"] else "LOOK AT  nothing"]
    lines = [f"LOOK AT  {len(flags)}"]
    for flag in flags[:LOOKS]:
        lines += wrapped("! ", flag["text"])
    if len(flags) > LOOKS:
        lines.append(f"  and {len(flags) - LOOKS} more: sandtrack attention")
    return lines
