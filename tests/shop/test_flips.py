"""A shop file in which one byte is another: no traceback, no wrong answer without a word, and `verify` finds it."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from sandtrack_api import create_app
from sandtrack_api.tokens import Tokens

from sandtrack.cli import main
from sandtrack.errors import ShopFileError
from sandtrack.shop import Shop

from .damaged import NOW, QUESTIONS, answers, ask, make_small

QUICK = ("stock", "moulds", "records")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small whole shop."""
    return make_small(tmp_path_factory.mktemp("small"))


@pytest.fixture(scope="module")
def right(small: Path) -> dict[str, dict[str, object]]:
    """What it answers."""
    return answers(small)


def hurt(whole: bytes, path: Path, position: int, value: int) -> Path:
    """A copy with one byte changed."""
    damaged = bytearray(whole)
    damaged[position] = value
    path.write_bytes(damaged)
    return path


def flips(whole: bytes, seeds: range) -> Iterator[tuple[int, int]]:
    """A place in the file and its new value, for each seed."""
    for seed in seeds:
        chance = random.Random(seed)
        position = chance.randrange(len(whole))
        yield position, whole[position] ^ chance.randrange(1, 256)


def tried(path: Path, right: dict[str, dict[str, object]], names: tuple[str, ...]) -> tuple[list[str], int, bool]:
    """Questions answered wrongly, how many were refused, and whether `verify` finds something."""
    wrong: list[str] = []
    refused = 0
    try:
        shop = Shop.open(path, clock=lambda: NOW)
    except ShopFileError:
        return [], len(names), True
    with closing(shop):
        for name in names:
            try:
                if ask(shop, QUESTIONS[name]) != right[name]:
                    wrong.append(name)
            except ShopFileError:
                refused += 1
        try:
            found = bool(shop.verify())
        except ShopFileError:
            found = True
    return wrong, refused, found


def check(small: Path, right: dict[str, dict[str, object]], folder: Path, seeds: range, names: tuple[str, ...]) -> None:
    """Any error but the shop file's own ends the test; what was answered wrongly or refused, `verify` finds."""
    whole = small.read_bytes()
    for seed, (position, value) in zip(seeds, flips(whole, seeds), strict=True):
        inner = folder / str(seed)
        inner.mkdir()
        wrong, refused, found = tried(hurt(whole, inner / "hurt.sandtrack", position, value), right, names)
        shutil.rmtree(inner)
        assert found or not (wrong or refused), (seed, position, value, wrong)


def test_no_flip_ends_in_a_traceback_and_verify_finds_what_it_changed(
    small: Path, right: dict[str, dict[str, object]], tmp_path: Path
):
    """25 random bytes."""
    check(small, right, tmp_path, range(25), QUICK)


@pytest.mark.soak
def test_no_flip_ends_in_a_traceback_and_verify_finds_what_it_changed_long(
    small: Path, right: dict[str, dict[str, object]], tmp_path: Path
):
    """300 random bytes, all questions."""
    check(small, right, tmp_path, range(300), tuple(QUESTIONS))


@pytest.mark.parametrize("position", [18, 44, 47, 59, 68])
def test_a_hurt_header_is_named(small: Path, right: dict[str, dict[str, object]], tmp_path: Path, position: int):
    """Bytes that say how the file is written, its schema, its text's encoding, and whose it is."""
    whole = small.read_bytes()
    for value in (0, 2, 3, 7, 128, 255):
        path = hurt(whole, tmp_path / f"{value}.sandtrack", position, value)
        wrong, refused, found = tried(path, right, ("stock", "records"))
        assert found or not (wrong or refused), (position, value, wrong)


def edited(small: Path, path: Path, *statements: str) -> Path:
    """A copy in which somebody changed rows, the guards of append-only taken away and put back."""
    path.write_bytes(small.read_bytes())
    with closing(sqlite3.connect(path)) as raw, raw:
        guards = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert raw.execute(statement).rowcount > 0, statement
        for _, sql in guards:
            raw.execute(sql)
    return path


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        ("UPDATE record SET content = replace(content, '\"mixer\"', '\"mixed\"') WHERE kind = 'mix'", "moulds"),
        ("UPDATE record SET content = replace(content, '}', '') WHERE kind = 'mix'", "records"),
        ("UPDATE record SET content = replace(content, 'time_zone', 'time_zonf') WHERE kind = 'plant'", "stock"),
        ("UPDATE holding SET place = 'silo_neu' WHERE place = 'silo_new'", "stock"),
        ("UPDATE flow SET day = '2025-99-99' WHERE day = (SELECT max(day) FROM flow)", "balance"),
    ],
)
def test_what_no_longer_parses_refuses_the_question(small: Path, tmp_path: Path, change: str, asked: str):
    """A field that lost its name or its form, and names that no set-up has: an error of the file, nothing left out."""
    path = edited(small, tmp_path / "hurt.sandtrack", change)
    with closing(Shop.open(path, clock=lambda: NOW)) as shop:
        with pytest.raises(ShopFileError, match="is damaged") as caught:
            ask(shop, QUESTIONS[asked])
        assert caught.value.details["fault"] == "damaged"
        assert "sandtrack restore" in str(caught.value)
        assert shop.verify() != []


def test_a_question_of_a_hurt_file_ends_with_3_and_503(small: Path, tmp_path: Path):
    """On the command line and over HTTP: the shop file, not the question, is at fault."""
    path = edited(small, tmp_path / "hurt.sandtrack", "UPDATE holding SET place = 'silo_neu' WHERE place = 'silo_new'")
    ended = CliRunner().invoke(main, ["stock", "--shop", str(path)])
    assert ended.exit_code == 3, ended.output
    assert ended.stderr.startswith(f"sandtrack: {path} is damaged")
    _, token = Tokens.beside(path).make(role="manager", name="greta")
    client = create_app({"SANDTRACK_SHOP": str(path)}).test_client()
    answer = client.get("/v1/stock", headers={"Authorization": f"Bearer {token}"})
    assert (answer.status_code, answer.json["code"]) == (503, "shop_file_damaged")
