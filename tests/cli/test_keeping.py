"""`backup` and `restore` as their users meet them, and the errors of a shop file at the command line."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sandtrack.cli import main

DEMO = Path(__file__).parents[2] / "demo_data"


def run(*words: str | Path) -> Result:
    """Run `sandtrack …` with no shop in the environment."""
    return CliRunner(env={"SANDTRACK_SHOP": ""}).invoke(main, [str(word) for word in words], catch_exceptions=False)


def log(shop: Path, record_id: str) -> None:
    """A hold, so that the shop has a record more."""
    words = ["hold", "--at", "2025-03-03 08:00", "--place", "silo_new", "--reason", "dust", "--id", record_id]
    assert run("log", *words, "--sender", "ida", "--shop", shop).exit_code == 0


def test_a_week_lost_and_found(tmp_path: Path):
    """Backup on Friday, a record on Monday, the file is spoiled: each step prints what it did and its head."""
    shop = tmp_path / "foundry.sandtrack"
    assert run("init", "--shop", shop, DEMO / "plant.toml").exit_code == 0
    log(shop, "h1")
    (tmp_path / "kept").mkdir()
    done = run("backup", shop, "--to", tmp_path / "kept")
    assert done.exit_code == 0
    found = re.fullmatch(
        r"backup (.*/foundry-\d{8}-\d{6}\.sandtrack): 2 records, head of the chain (\w{64})\n", done.output
    )
    assert found
    friday, head = found.groups()
    log(shop, "h2")
    refused = run("restore", friday, "--shop", shop)
    assert refused.exit_code == 3
    assert refused.stderr.startswith(
        "sandtrack: the backup is older: foundry.sandtrack holds 1 record that it lacks. Nothing was changed"
    )
    shop.write_bytes(b"\0" * 9000)
    damaged = run("stock", "--shop", shop)
    assert damaged.exit_code == 3
    assert damaged.stderr == (
        f"sandtrack: {shop} is not a shop file of sandtrack, or its beginning is destroyed; name another file, or "
        "restore a backup\n"
    )
    done = run("restore", friday, "--shop", shop)
    assert done.exit_code == 0
    assert done.output.startswith(
        f"restored {shop}: 2 records, head of the chain {head}\nthe file that stood there can"
    )
    assert f"that file is kept as {shop}.before-restore-" in done.output
    verified = run("verify", "--shop", shop)
    assert verified.exit_code == 0
    assert head in verified.output


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_file_that_may_not_be_read_ends_with_code_3():
    """It is the shop file that cannot be used, not the command that is wrong."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        shop = Path(folder) / "foundry.sandtrack"
        shop.write_text("any file will do")
        commands = (["stock", "--shop", shop], ["backup", shop], ["restore", shop, "--shop", f"{shop}-2"])
        assert [run(*words).exit_code for words in commands] == [3, 3, 3]  # it is no shop either
        shop.chmod(0)
        if os.getuid() == 0:  # root is refused nothing
            os.seteuid(65534)
        try:
            told = [run(*words) for words in commands]
        finally:
            os.seteuid(os.getuid())
    for done in told:
        assert done.exit_code == 3
        assert "foundry.sandtrack cannot be opened (Permission denied): check that you may read it" in done.stderr


def test_backup_beside_the_shop_and_restore_without_a_name(tmp_path: Path):
    """Without --to the copy lies beside the shop; restore wants to know what to replace."""
    shop = tmp_path / "foundry.sandtrack"
    run("init", "--shop", shop, DEMO / "plant.toml")
    assert run("backup", "--shop", shop).exit_code == 0
    (copy,) = tmp_path.glob("foundry-*.sandtrack")
    assert run("backup", "--shop", shop, "--to", copy).exit_code == 3
    done = run("restore", copy)
    assert done.exit_code == 2
    assert "--shop: is missing; accepted: the shop file to put it in place of" in done.stderr
