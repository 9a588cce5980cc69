"""One value of the set-up is changed by one short command; the record stays a whole set-up."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from sandtrack import Shop
from sandtrack.cli import main
from sandtrack.errors import InputErrors
from sandtrack.plant import read_toml
from sandtrack.shop.changing import merged

PLANT = Path(__file__).parents[1] / "shop" / "loading" / "plant.toml"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A new shop file."""
    made = tmp_path / "foundry.sandtrack"
    Shop.create(made, read_toml(PLANT), sender="ida").close()
    return made


def run(path: Path, *words: str) -> tuple[int, str]:
    """Exit code and output of a command."""
    result = CliRunner().invoke(main, ["plant", "change", "--shop", str(path), *words])
    return result.exit_code, result.output


# Source of the expected values: RFC 7396, section 3 and Appendix A (read from memory of the RFC).
RFC_7396 = [
    ({"a": "b"}, {"a": "c"}, {"a": "c"}),
    ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
    ({"a": "b"}, {"a": None}, {}),
    ({"a": "b", "b": "c"}, {"a": None}, {"b": "c"}),
    ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
    ({"a": "c"}, {"a": ["b"]}, {"a": ["b"]}),
    ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
    ({"a": [{"b": "c"}]}, {"a": [1]}, {"a": [1]}),
    (["a", "b"], ["c", "d"], ["c", "d"]),
    ({"e": None}, {"a": 1}, {"e": None, "a": 1}),
    ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
]


@pytest.mark.parametrize(("whole", "change", "result"), RFC_7396)
def test_a_patch_is_merged_as_the_standard_says(whole: object, change: object, result: object) -> None:
    """The examples of RFC 7396."""
    assert merged(whole, change) == result


def test_one_value_changes_and_the_rest_stays(path: Path) -> None:
    """The next whole revision differs in that value and its first day only."""
    with Shop.open(path) as shop:
        before = shop.plant_content("2026-03-01")
    place = next(iter(before["places"]))
    code, output = run(path, f"places.{place}.name=North silo", "--from", "2026-02-01", "--by", "ida")
    assert code == 0, output
    with Shop.open(path) as shop:
        after = shop.plant_content("2026-03-01")
        assert shop.plant_content("2026-01-31") == before
        assert not list(shop.verify())
    changed = {**before["places"], place: {**before["places"][place], "name": "North silo"}}
    assert after == {**before, "places": changed, "shop": {**before["shop"], "valid_from": "2026-02-01"}}


def test_what_makes_no_sense_is_refused_and_nothing_is_recorded(path: Path) -> None:
    """Each refusal names the value and what to type; no half-changed set-up is left."""
    for words, told in (
        (("places.nowhere.kin=silo",), "kin"),
        (("limits.loss_warn_pct=much",), "loss_warn_pct"),
        (("limits=3",), "names no single value"),
        (("limits.loss_warn_pct",), "NAME=VALUE"),
        (("limits.loss_warn_pct=",), "--remove"),
        (("limits.loss_warn_pct=1", "limits.loss_warn_pct=2"), "twice"),
        ((), "changes nothing"),
    ):
        code, output = run(path, *words)
        assert code == 2, (words, output)
        assert told in output, (words, output)
    with Shop.open(path) as shop:
        assert shop.ledger.head().records == 1


def test_one_thing_is_taken_out(path: Path) -> None:
    """--remove takes a pattern out of what holds from now on."""
    code, output = run(path, "patterns.p99.box_sand_kg=120", "--from", "2026-02-01")
    assert code == 0, output
    code, output = run(path, "--remove", "patterns.p99", "--from", "2026-02-02", "--json")
    assert code == 0, output
    assert json.loads(output)["kind"] == "plant"
    with Shop.open(path) as shop:
        assert shop.plant("2026-02-01").patterns["p99"].box_sand_kg == 120
        assert "p99" not in shop.plant("2026-02-02").patterns


def test_two_changes_made_at_the_same_moment_are_both_kept(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What another program changed after the set-up was read is not lost: the change is made anew from that."""
    with Shop.open(path) as shop, Shop.open(path) as other:
        entry = shop.ledger.entry
        others = iter([{"patterns": {"p1": {"box_sand_kg": 100}}}])

        def beaten(*words: object, **named: object) -> object:
            for change in others:
                other.change_plant(change, by="lars", valid_from="2026-02-01")
            return entry(*words, **named)  # type: ignore[arg-type]

        monkeypatch.setattr(shop.ledger, "entry", beaten)
        shop.change_plant({"patterns": {"p2": {"box_sand_kg": 200}}}, by="ida", valid_from="2026-02-01")
        patterns = shop.plant("2026-02-01").patterns
        assert (patterns["p1"].box_sand_kg, patterns["p2"].box_sand_kg) == (100, 200)


def test_an_empty_change_is_refused_from_python_too(path: Path) -> None:
    """Nothing to change is an error, not a record that looks like a change."""
    with Shop.open(path) as shop, pytest.raises(InputErrors):
        shop.change_plant({}, by="ida")
