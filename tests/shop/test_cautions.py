"""Cautions as they reach people: on receipts, in answers, on tables given out and on sheets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.report import sheet, tables, text
from sandtrack.report.text import Names
from sandtrack.shop.cautions import CAUTIONS, DEFER
from sandtrack.shop.dosing import issued
from sandtrack.trade import families
from sandtrack.trade.families import FAMILIES

from .test_setting import add_urethanes

Make = Callable[[dict[str, Any]], Shop]
ASKED = {"lowest_c": 15, "highest_c": 25, "step_c": 5}


def codes(given: Any) -> list[str]:
    """Codes of the cautions of an answer or a receipt."""
    return [caution.code for caution in given.cautions]


@pytest.fixture
def six(make_shop: Make, content: dict[str, Any]) -> Shop:
    """The small shop with a system of each family."""
    add_urethanes(content, "m1")
    content["materials"] |= {"silicate": {"kind": "resin", "density_kg_m3": 1390}}
    content["places"] |= {
        "tank_pu_2": {"kind": "tank", "material": "pu_2"},
        "tank_silicate": {"kind": "tank", "material": "silicate"},
    }
    systems = content["binder_systems"]
    systems["phenolic"] = {**systems["furan"], "name": "Phenolic", "family": "phenolic_acid"}
    systems["silicate"] = {
        **systems["ester"], "name": "Silicate", "family": "silicate_ester", "resin": "silicate", "resin_pct": 3.0,
        "catalyst_pct": 10,
    }  # fmt: skip
    content["mixers"]["m1"]["binder_systems"] += ["phenolic", "silicate"]
    return make_shop(content)


def log(shop: Shop, kind: str, **content: Any) -> list[str]:
    """Codes of the cautions of a receipt."""
    return codes(shop.log(kind, {"at": "2025-03-03 07:00", **content}, sender="ida"))


@pytest.mark.parametrize(
    ("place", "expected"),
    [
        ("silo_new", ["engulfment", "silo_overfull", "silica"]),
        ("heap_f", ["engulfment", "silica"]),
        ("tank_acid", ["neat_resin_and_acid", "acid_burns", "hand_blending", "vapours", "check_coupling"]),
        ("tank_fast", ["alkaline_burns", "vapours", "check_coupling", "neat_resin_and_ester"]),
        ("tank_silicate", ["alkaline_burns", "check_coupling", "neat_resin_and_ester"]),
        ("tank_pu_2", ["isocyanate", "flammable", "isocyanate_and_water", "vapours", "check_coupling"]),
    ],
)
def test_a_delivery_speaks_of_what_it_brings(six: Shop, place: str, expected: list[str]) -> None:
    """Sand: silo and dust; a liquid: its own family's hazards, and label and coupling."""
    assert log(six, "delivery", place=place, mass_kg=500) == expected


@pytest.mark.parametrize(
    ("kind", "fields", "expected"),
    [
        ("level", {"place": "silo_new", "level_m": 2}, ["engulfment", "work_at_height"]),
        ("count", {"place": "heap_f", "mass_kg": 9000}, ["engulfment"]),
        ("temperature", {"what": "mixed_sand", "mixer": "m2", "value_c": 20}, ["screw"]),
        ("temperature", {"what": "air", "value_c": 20}, []),
        (
            "calibration",
            {"mixer": "m2", "stream": "resin", "setting": 30, "catches": [{"seconds": 60, "mass_g": 600}]},
            ["screw", "neat_resin_and_acid", "acid_burns", "vapours", "catches"],
        ),
        ("disposal", {"place": "heap_f", "waste": "used sand", "mass_kg": 500}, ["silica", "used_sand_waste"]),
        ("release", {"place": "tank_acid", "reason": "tested"}, ["released_unchecked"]),
    ],
)
def test_other_receipts(shop: Shop, kind: str, fields: dict[str, Any], expected: list[str]) -> None:
    """Each kind has what can hurt there, and none where nothing can."""
    assert log(shop, kind, **fields) == expected


def test_a_pour_speaks_of_what_is_in_the_mould(shop: Shop) -> None:
    """Sulphur dioxide comes off the mould of an acid cure, not off the one of an ester cure beside it."""
    for system, mould, liquids in (
        ("furan", "1", {"tank_resin_f": 3, "tank_acid": 1}),
        ("ester", "2", {"tank_resin_e": 5, "tank_slow": 1}),
    ):
        drawn = [{"place": place, "mass_kg": kg} for place, kg in {"silo_new": 300, **liquids}.items()]
        mix = {"mixer": "m1", "binder_system": system, "moulds": [mould], "streams": drawn, "at": "2025-03-02 07:00"}
        shop.log("mix", mix, sender="m1")
    furan, ester = (log(shop, "pour", moulds=[mould], metal="iron") for mould in "12")
    assert "sulphur_dioxide" in furan
    assert "sulphur_dioxide" not in ester
    assert {"weight_or_clamp", "damp_explodes", "runout", "pouring_gases"} <= set(ester)


@pytest.mark.parametrize("system", ["ester", "silicate", "pu", "alkyd"])
def test_no_answer_or_sheet_leads_with_acid_where_there_is_none(six: Shop, system: str) -> None:
    """Setting, table, sheet and stopped fill of an ester or urethane cure do not speak of acid at all."""
    given = [six.setting("m1", system, 20), six.stopped("m1", system, 20, minutes_ago=5)]
    table = six.table("m1", system, **ASKED)
    for answer in (*given, table):
        assert answer.cautions
        assert not any("acid" in caution.text + caution.short for caution in answer.cautions)
    if table.values.get("rows"):
        page = sheet.of_issued(tables.as_kept(table), Names(six.plant()))
        assert "acid" not in page.short_cautions
        assert page.short_cautions.endswith(DEFER)


@pytest.mark.parametrize(
    ("system", "short"),
    [
        ("furan", "WARNING  Resin and acid never meet neat; acid burns skin and eyes; nobody mixes acids by hand;"),
        ("phenolic", "WARNING  Resin and acid never meet neat; acid burns skin and eyes; nobody mixes acids by hand;"),
        ("ester", "WARNING  Alkaline binder burns eyes and skin; do not breathe the vapours: ventilate;"),
        ("silicate", "WARNING  Alkaline binder burns eyes and skin; test, then draw;"),
        ("pu", "WARNING  Do not breathe or touch isocyanate: asthma; no flame near the solvent;"),
        ("alkyd", "WARNING  Do not breathe or touch isocyanate: asthma; no flame near the solvent;"),
    ],
)
def test_the_sheet_of_each_family_has_its_own_short_cautions(six: Shop, system: str, short: str) -> None:
    """The short line of a wall sheet, and each caution in full behind its signal word; the pumps are to be caught."""
    kept = tables.as_kept(six.table("m1", system, **ASKED, strip_time_min=120))
    page = sheet.of_issued(kept, Names(six.plant()))
    assert page.short_cautions.startswith(f"DANGER  Lock the mixer before a hand goes in. {short}")
    assert [line.split()[0] for line in page.cautions[:2]] == ["DANGER", "WARNING"]


def test_the_deferral_stands_once_a_screen(shop: Shop) -> None:
    """On a terminal each caution stands behind its signal word, and whom to follow once below them; JSON has it too."""
    answer = shop.stock()
    lines = text.cautions(answer.cautions)
    assert [line.split()[0] for line in lines if line.isupper() or line[:1] != " "][:2] == ["DANGER", "WARNING"]
    assert " ".join(lines).count(DEFER) == 1
    assert lines[-1] == DEFER
    assert answer.as_dict()["defer"] == DEFER
    assert text.cautions(()) == []
    assert shop.cover().as_dict()["defer"] == ""


def test_a_seventh_family_is_asked_about_its_acid(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A family that calls its acid something else still has the sand's acid demand looked at, and acid's cautions."""
    seventh = replace(FAMILIES["furan_acid"], key="seventh", name="seventh", co_reactant="curing agent")
    monkeypatch.setattr(families, "FAMILIES", {**FAMILIES, "furan_acid": seventh})
    tested = {"test": "acid_demand", "sample": {"place": "silo_f"}, "results": {"acid_demand_ml": 12}}
    shop.log("sand_test", {**tested, "at": "2025-03-03 07:00"}, sender="lab")
    tested["sample"] = {"place": "silo_new"}
    shop.log("sand_test", {**tested, "at": "2025-03-03 07:00"}, sender="lab")
    answer = shop.setting("m1", "furan", 20)
    assert "acid_demand" in {flag.code for flag in answer.flags}
    assert codes(answer)[:4] == ["screw", "neat_resin_and_acid", "acid_burns", "hand_blending"]


def reworded(monkeypatch: pytest.MonkeyPatch, code: str, words: str) -> None:
    """Change a caution's sentence, as a later version might."""
    monkeypatch.setitem(CAUTIONS, code, replace(CAUTIONS[code], text=words))


def test_a_reworded_caution_stays_on_a_table_given_out(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A table keeps codes: after a caution is worded anew its sheet has the sentence of then, and its short form."""
    shop.issue_table("m1", "furan", by="ida", **ASKED)
    names = Names(shop.plant())
    (before,) = shop.tables().values["tables"]
    reworded(monkeypatch, "neat_resin_and_acid", "Never let these two meet.")
    (after,) = shop.tables().values["tables"]
    assert after["cautions"] == before["cautions"]
    assert sheet.of_issued(after, names).short_cautions == sheet.of_issued(before, names).short_cautions
    assert "WARNING  Resin and acid never meet neat; " in sheet.of_issued(after, names).short_cautions


def test_a_caution_that_is_given_no_more_stays_on_its_table(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """A code that a later version no longer has keeps its sentence, short line and full."""
    shop.issue_table("m1", "furan", by="ida", **ASKED)
    sentence = CAUTIONS["hand_blending"].text
    fewer = {code: caution for code, caution in CAUTIONS.items() if code != "hand_blending"}
    monkeypatch.setattr(issued, "CAUTIONS", fewer)
    page = sheet.of_issued(shop.tables().values["tables"][0], Names(shop.plant()))
    assert sentence[1:].rstrip(".") in page.short_cautions
    assert f"CAUTION  {sentence}" in page.cautions


def test_a_table_from_before_codes_shows_its_sentences_in_full(shop: Shop) -> None:
    """A record that holds sentences alone: each stands in full, on the terminal and on both parts of the sheet."""
    old = "Resin and acid catalyst never meet neat: they react violently."
    record = {
        "at": "2025-03-03 08:00", "number": 1, "mixer": "m1", "binder_system": "furan", "by": "ida",
        "expires_at": "2025-03-04 08:00", "wanted_strip_min": 60, "wanted_chance": 0.8, "ask_again_moved_c": 3,
        "cautions": f"{old}\nTimes are estimates: test, then draw.",
        "rows": [{"sand_temp_c": 20, "serves": False, "because": "none", "instead": "warm the sand"}],
    }  # fmt: skip
    shop.log("table_issued", record, sender="tables", id="table-1")
    (kept,) = shop.tables().values["tables"]
    assert [caution["text"] for caution in kept["cautions"]] == [old, "Times are estimates: test, then draw."]
    page = sheet.of_issued(kept, Names(shop.plant()))
    assert old.rstrip(".") in page.short_cautions
    assert page.cautions == (f"CAUTION  {old}", "CAUTION  Times are estimates: test, then draw.")
    assert old in " ".join(" ".join(tables.kept(kept, Names(shop.plant()), "metric")).split())
