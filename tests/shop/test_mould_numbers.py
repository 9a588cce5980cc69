"""Several moulds written as one: asked back of people, booked and flagged from a device, allowed by the set-up."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sandtrack.cli import main
from sandtrack.errors import InputErrors, LoadRefused
from sandtrack.plant import read_toml
from sandtrack.records.mould_numbers import is_unclear
from sandtrack.shop import Shop, loading
from sandtrack.shop.mould_numbers import require_clear

PLANT = Path(__file__).parent / "loading" / "plant.toml"
AT = "2025-03-03 08:00"
MIX: dict[str, Any] = {
    "at": AT, "mixer": "m1", "binder_system": "furan",
    "streams": [
        {"place": "silo", "mass_kg": 100}, {"place": "tank_resin", "mass_kg": 1}, {"place": "tank_acid", "mass_kg": 0.4}
    ],
}  # fmt: skip


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[Shop]:
    with Shop.create(tmp_path / "shop.sandtrack", PLANT, sender="ida") as made:
        yield made


UNCLEAR = ["118,119", "118 119", "118-121", "118–121", "118/119", "118, 119", "A118,A119", "118 to 121", "118+119",
           "118..121", "118 & 119", "118-121-123", "118,"]  # fmt: skip
CLEAR = ["118", "A118", "A-118", "M1/118", "118a", "118-a", "118-A2", "mould 118", "Ä118", "118.2", "00118", "118 left"]


@pytest.mark.parametrize("number", UNCLEAR)
def test_a_list_or_range_is_unclear(number: str) -> None:
    """Commas, blanks between numbers and ranges of bare numbers may be several moulds."""
    assert is_unclear(number)


@pytest.mark.parametrize("number", CLEAR)
def test_one_number_is_clear(number: str) -> None:
    """Letters, a word, a dash after letters: still one mould."""
    assert not is_unclear(number)


@pytest.mark.parametrize(
    ("number", "forms", "fits"),
    [
        ("118-121", ["###-###"], True), ("118-121", ["###"], False), ("118", ["###", "###-###"], True),
        ("25-7", ["##-#*"], True), ("25-1234", ["##-#*"], True), ("25-", ["##-#*"], False), ("AB7", ["?*#"], True),
        ("118,119", ["###"], False), ("118119", ["###"], False), ("a.b", ["a.b"], True), ("axb", ["a.b"], False),
    ],
)  # fmt: skip
def test_the_set_up_says_what_a_number_looks_like(number: str, forms: list[str], fits: bool) -> None:
    """# a digit, ? a letter, * as many as there are; what fits none of the forms is asked back."""
    assert is_unclear(number, forms) is not fits


def test_no_form_takes_long() -> None:
    """Forty repeats against a hundred digits are read in no time: they take no second look."""
    start = time.perf_counter()
    assert is_unclear("1" * 99 + "x", ["#*" * 40 + "y"])
    assert time.perf_counter() - start < 0.5


@pytest.mark.parametrize("number", ["118,119", "118 119", "118-121"])
def test_what_is_typed_is_asked_back(shop: Shop, number: str) -> None:
    """On the command line a list written as one mould is refused, and nothing is recorded."""
    before = shop.ledger.head()
    run = CliRunner().invoke(
        main,
        ["log", "pour", "--shop", str(shop.ledger.store.path), "--at", AT, "--moulds", number, "--metal", "iron"],
    )
    assert run.exit_code == 2, run.output
    assert f"moulds: '{number}' may be several moulds or one" in run.output
    assert shop.ledger.head() == before


def test_what_is_loaded_is_asked_back_by_line(shop: Shop, tmp_path: Path) -> None:
    """A file's line with a list written as one mould is refused in every kind that names moulds."""
    pour, transfer = tmp_path / "pour.csv", tmp_path / "transfer.csv"
    pour.write_text(f'sender,at,moulds,metal\np,{AT},118;119,iron\np,{AT},"118,119",iron\np,{AT},118-121,iron\n')
    transfer.write_text(f"sender,at,source,mould,mass_kg\np,{AT},silo,118 119,5\n")
    with pytest.raises(LoadRefused) as caught:
        loading.load(shop.ledger, [pour, transfer])
    assert [(problem.line, problem.column, problem.code) for problem in caught.value.problems] == [
        (2, "mould", "mould_unclear"), (3, "moulds", "mould_unclear"), (4, "moulds", "mould_unclear")
    ]  # fmt: skip


def test_what_has_been_booked_is_known_again(shop: Shop, tmp_path: Path) -> None:
    """A line that the book has is known, also when its number would be asked back today."""
    shop.log("pour", {"at": AT, "moulds": ["118-121"], "metal": "iron"}, sender="p", id="p1")
    pour = tmp_path / "pour.csv"
    pour.write_text(f"id,sender,at,moulds,metal\np1,p,{AT},118-121,iron\n")
    assert loading.load(shop.ledger, [pour]).known == 1
    require_clear(shop.ledger, "pour", {"at": AT, "moulds": ["118-121"], "metal": "iron"}, sender="p", record_id="p1")


def test_a_device_is_booked_and_flagged(shop: Shop) -> None:
    """What a mixer sends has happened: it is booked, its receipt and the attention list have the flag."""
    content = {**MIX, "moulds": ["118,119"], "at": "2025-03-03T08:00:00+01:00"}
    with pytest.raises(InputErrors):
        require_clear(shop.ledger, "mix", content, sender="ida", record_id="1")
    receipt = shop.log("mix", content, sender="m1", id="seq-1")
    assert receipt.new
    assert [flag.subject for flag in receipt.flags if flag.code == "mould_unclear"] == ["118,119"]
    listed = shop.attention(at="2025-03-03 12:00")
    assert [flag.subject for flag in listed.flags if flag.code == "mould_unclear"] == ["118,119"]
    assert not list(shop.verify())


def test_a_number_that_the_set_up_allows_is_accepted(tmp_path: Path) -> None:
    """With the form ###-### the mould 118-121 is one; content, id and verify are the same with any form."""
    content = read_toml(PLANT)
    content["shop"]["mould_numbers"] = ["###-###"]
    pour = tmp_path / "pour.csv"
    pour.write_text(f"sender,at,moulds,metal\np,{AT},118-121,iron\n")
    with Shop.create(tmp_path / "a.sandtrack", content, sender="ida") as shop:
        assert loading.load(shop.ledger, [pour]).new == 1
        receipt = shop.log("pour", {"at": AT, "moulds": ["7"], "metal": "iron"}, sender="p", id="p7")
        assert "mould_unclear" in [flag.code for flag in receipt.flags]
        kept = json.loads(json.dumps(shop.plant_content(), default=str))
        shop.log("plant", {**kept, "shop": {**kept["shop"], "mould_numbers": ["#"]}}, sender="ida", id="plant-2")
        assert loading.load(shop.ledger, [pour]).known == 1
        assert not list(shop.verify())
