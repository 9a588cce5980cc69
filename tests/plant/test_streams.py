"""Sands, grades and catalysts of a set-up: what it has room for, what each mixer draws, and unknown names."""

from __future__ import annotations

from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.ledger.setups import Setups
from sandtrack.plant import Plant
from sandtrack.plant.tables import ShopTable


@pytest.fixture
def content() -> dict[str, Any]:
    """A shop with chromite, a silicate of one hardener, and a urethane of two amines."""
    materials = {
        "sand": {"kind": "sand", "name": "Silica sand"}, "back": {"kind": "sand"}, "chromite": {"kind": "sand"},
        "silicate": {"kind": "resin", "density_kg_m3": 1390}, "hardener": {"kind": "hardener", "density_kg_m3": 1155},
        "pu_1": {"kind": "resin"}, "pu_2": {"kind": "resin"},
        "amine_s": {"kind": "catalyst"}, "amine_f": {"kind": "catalyst"},
    }  # fmt: skip
    places = {
        f"at_{key}": {"kind": "silo" if entry["kind"] == "sand" else "tank", "material": key}
        for key, entry in materials.items()
    }
    known = {"strip_time_min": 30, "temp_c": 20, "definition": "hand"}
    return {
        "shop": {"name": "Test", "time_zone": "Europe/Stockholm", "valid_from": "2025-01-01"},
        "materials": materials,
        "places": places,
        "binder_systems": {
            "silicate": {
                "family": "silicate_ester", "resin": "silicate", "grades": {"slow": "hardener"}, "resin_pct": 3.0,
                "catalyst_pct": 10, "reclaimed_share": 0.5, "reference": known,
                "facing": {"sand_shares": {"chromite": 0.75, "new_sand": 0.25}, "resin_pct": 2.0},
            },
            "pu": {
                "family": "phenolic_urethane", "part_1": "pu_1", "part_2": "pu_2", "part_1_share": 0.5,
                "catalysts": {"slow": "amine_s", "fast": "amine_f"}, "fast_share": 0.25, "resin_pct": 1.2,
                "reference": {**known, "catalyst_pct": 2},
            },
        },
        "mixers": {
            "m1": {
                "sand_kg_min": 100, "binder_systems": ["silicate", "pu"],
                "draws": {
                    "silicate": {
                        "new_sand": "at_sand", "reclaimed_sand": "at_back", "chromite": "at_chromite",
                        "resin": "at_silicate", "slow": "at_hardener",
                    },
                    "pu": {
                        "new_sand": "at_sand", "part_1": "at_pu_1", "part_2": "at_pu_2",
                        "slow": "at_amine_s", "fast": "at_amine_f",
                    },
                },
            },
            "m2": {
                "sand_kg_min": 50, "binder_systems": ["silicate"],
                "draws": {"silicate": {"new_sand": "at_sand", "reclaimed_sand": "at_back"}},
            },
        },
    }  # fmt: skip


def problems(content: dict[str, Any]) -> str:
    with pytest.raises(InputErrors) as caught:
        Plant.read(content)
    return str(caught.value)


def test_a_silicate_with_one_hardener_is_dosed_and_its_mixes_are_read(content: dict[str, Any], tmp_path):
    """100 kg/min, 3 % silicate, 10 % of it hardener: 3 and 0.3 kg/min; a mix of the same masses is no drift."""
    with Shop.create(tmp_path / "s", content) as shop:
        answer = shop.setting("m1", "silicate", 20, strip_time_min=90)
        assert answer.possible, answer.because
        assert answer.values["flows_kg_min"] == pytest.approx(
            {"new_sand": 50, "reclaimed_sand": 50, "resin": 3, "slow": 0.3}
        )
        streams = [("at_sand", 50), ("at_back", 50), ("at_silicate", 3), ("at_hardener", 0.3)]
        mix = {
            "at": "2025-03-03 08:00", "mixer": "m1", "binder_system": "silicate", "moulds": ["1"], "sand_temp_c": 20,
            "streams": [{"place": place, "mass_kg": mass} for place, mass in streams],
        }  # fmt: skip
        for day in range(3, 25):
            shop.log("mix", {**mix, "at": f"2025-03-{day:02} 08:00"}, sender="m1", id=f"mix-{day}")
        check = {"at": "2025-03-03 09:00", "mix": "mix-3", "definition": "hand", "latest_min": 40, "sand_temp_c": 20}
        shop.log("strip_check", check, sender="m1")
        assert shop.learned("silicate", at="2025-03-24").values["checks"] == 1
        audit = shop.audit("m1", since="2025-03-20", until="2025-03-31").values
        of_one = {name.rsplit(".", 1)[1] for name in {**audit["series"], **audit["not_judged"]} if "silicate." in name}
        assert of_one >= {"resin_pct", "co_reactant_pct"}
        assert "fast_share" not in of_one
        for one in audit["series"].values():
            assert one["off"] == pytest.approx(0, abs=1e-6)


def test_chromite_is_drawn_where_the_set_up_says_so(content: dict[str, Any], tmp_path):
    """Facing of three quarters chromite at 100 kg/min: 75 and 25; the small mixer has none, so its answer is no."""
    with Shop.create(tmp_path / "s", content) as shop:
        values = shop.setting("m1", "silicate", 20, purpose="facing", strip_time_min=90).values
        flows = {name: kg for name, kg in values["flows_kg_min"].items() if name not in ("resin", "slow")}
        assert flows == pytest.approx({"chromite": 75, "new_sand": 25})
        assert values["sand_shares"] == pytest.approx({"chromite": 0.75, "sand": 0.25})
        assert "chromite" not in shop.setting("m1", "silicate", 20, strip_time_min=90).values["flows_kg_min"]
        no = shop.setting("m2", "silicate", 20, purpose="facing", strip_time_min=90)
        assert not no.possible
        assert "chromite" in no.because
        assert "m1" in no.instead[0]


def test_two_amines_have_a_pump_each(content: dict[str, Any], tmp_path):
    """100 kg/min, 1.2 % half and half: 0.6 of part 1; 2 % amine on it is 0.012, a quarter of it the fast one.

    The sand is at 30 °C, inside the urethane's window: outside it there would be no flows to go by.
    """
    with Shop.create(tmp_path / "s", content) as shop:
        answer = shop.setting("m1", "pu", 30, catalyst_pct=2)
        flows = {name: answer.values["flows_kg_min"][name] for name in ("part_1", "part_2", "slow", "fast")}
        assert flows == pytest.approx({"part_1": 0.6, "part_2": 0.6, "slow": 0.009, "fast": 0.003})
        streams = [("at_sand", 100), ("at_pu_1", 0.6), ("at_pu_2", 0.6), ("at_amine_s", 0.009), ("at_amine_f", 0.003)]
        mix = {
            "at": "2025-03-03 08:00", "mixer": "m1", "binder_system": "pu", "moulds": ["1"], "sand_temp_c": 20,
            "streams": [{"place": place, "mass_kg": mass} for place, mass in streams],
        }  # fmt: skip
        shop.log("mix", mix, sender="m1", id="mix-1")
        check = {"at": "2025-03-03 09:00", "mix": "mix-1", "definition": "hand", "latest_min": 40, "sand_temp_c": 20}
        shop.log("strip_check", check, sender="m1")
        assert shop.learned("pu", at="2025-03-04").values["checks"] == 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda c: c["mixers"]["m1"]["draws"]["silicate"].update(chromit="at_chromite"), "did you mean chromite?"),
        (lambda c: c["mixers"]["m1"]["draws"]["silicate"].update(resn="at_silicate"), "did you mean resin?"),
        (lambda c: c["mixers"]["m1"]["draws"]["silicate"].update(resin="at_silikate"), "did you mean at_silicate?"),
        (lambda c: c["binder_systems"]["silicate"]["facing"].update(sand_shares={"zircon": 1}), "no sand of the"),
        (lambda c: c["binder_systems"]["silicate"]["facing"].update(sand_shares={"chromite": 0.9}), "make 1"),
        (lambda c: c["binder_systems"]["silicate"].update(sand_shares={"chromite": 1}), "beside reclaimed_share"),
        (lambda c: c["binder_systems"]["silicate"]["grades"].update(medium="hardener"), "not the name of a grade"),
        (lambda c: c["binder_systems"]["pu"].update(catalyst="amine_s"), "beside catalyst"),
        (lambda c: c["binder_systems"]["pu"].update(catalysts={"slow": "amine_s"}), "slow and fast"),
        (lambda c: c["binder_systems"]["pu"].pop("fast_share"), "missing beside catalysts"),
        (lambda c: c["shop"].update(units="imperial"), "metric, us"),
    ],
)
def test_names_that_a_set_up_does_not_know_are_refused(content: dict[str, Any], change: Any, says: str):
    """Streams that are drawn, facing sands, grades and catalysts by a wrong name: refused, with what to write."""
    change(content)
    assert says in problems(content)


def test_a_set_up_of_earlier_days_goes_on_being_read(content: dict[str, Any], tmp_path):
    """A stream's name that is refused today stands in old books: they open, and the same content stays whole."""
    content["mixers"]["m1"]["draws"]["silicate"]["hartsand"] = "at_sand"
    assert Plant.read(content, stored=True).mixers["m1"].draws["silicate"]["hartsand"] == "at_sand"
    assert "hartsand" in problems(content)
    assert Setups is not None
    assert ShopTable.units == "metric"
