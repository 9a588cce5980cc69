"""`table` and `tables` on the command line, and pictures beside answers."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from click.testing import CliRunner, Result

from sandtrack.cli import main

AT = "2025-12-30 15:00"
ASKED = ("table", "m1", "furan", "--from", "5", "--to", "35", "--step", "5")


def run(*words: str | Path, shop: Path) -> Result:
    """Run `sandtrack …` on a shop."""
    return CliRunner(env={"SANDTRACK_SHOP": str(shop)}).invoke(
        main, [str(word) for word in words], catch_exceptions=False
    )


def test_table_as_text_json_and_csv(demo_shop: Path, tmp_path: Path):
    """The same rows three ways: seven lines of text, seven rows of JSON, seven lines of CSV below its head."""
    done = run(*ASKED, "--at", AT, shop=demo_shop)
    assert done.exit_code == 0
    assert "not to be used after 2025-12-31 15:00" in done.output
    assert "20 °C" in done.output
    rows = json.loads(run(*ASKED, "--at", AT, "--json", shop=demo_shop).output)["values"]["rows"]
    assert [row["sand_temp_c"] for row in rows] == [5, 10, 15, 20, 25, 30, 35]
    run(*ASKED, "--at", AT, "--csv", tmp_path / "t.csv", shop=demo_shop)
    with (tmp_path / "t.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    assert [line["serves"] == "true" for line in lines] == [row["serves"] for row in rows]
    assert lines[0]["number"] == ""


def test_issue_numbers_keeps_and_prints(demo_shop: Path, tmp_path: Path):
    """--issue records the table, its sheet has the number, `tables` lists it, and its sheet can be written again."""
    done = run(*ASKED, "--issue", "--by", "ida", "--sheet", tmp_path / "wall.html", shop=demo_shop)
    assert done.exit_code == 0
    assert "recorded: table_issued table-1 of tables" in done.output
    first = (tmp_path / "wall.html").read_text()
    assert "table 1, not after" in first
    listed = json.loads(run("tables", "--json", shop=demo_shop).output)["values"]["tables"]
    assert [(one["number"], one["state"], one["by"]) for one in listed] == [(1, "valid", "ida")]
    assert run("tables", "--number", "1", "--sheet", tmp_path / "again.html", shop=demo_shop).exit_code == 0
    assert (tmp_path / "again.html").read_text() == first
    assert "table_issued  table-1  by tables" in run("records", "--kind", "table_issued", shop=demo_shop).output
    told = json.loads(run(*ASKED, "--issue", "--json", shop=demo_shop).output)
    assert (told["number"], told["receipt"]["new"]) == (2, True)


def test_what_cannot_be_issued(demo_shop: Path):
    """A table of another time is not given out (2); a number that there is not, and a table of "no", end with 1."""
    assert run(*ASKED, "--issue", "--at", AT, shop=demo_shop).exit_code == 2
    assert run("tables", "--number", "9", shop=demo_shop).exit_code == 1
    cold = ("table", "m1", "furan", "--from", "0", "--to", "2", "--strip", "5", "--issue")
    assert run(*cold, shop=demo_shop).exit_code == 1
    assert run("tables", shop=demo_shop).output.startswith("no table was given out yet")
    assert run("tables", "--csv", "x.csv", shop=demo_shop).exit_code == 2


def test_pictures_beside_answers(demo_shop: Path, tmp_path: Path):
    """`dose` and `learned` draw what they answer; another kind of file ends with 2."""
    files = [tmp_path / name for name in ("region.svg", "strip.png", "foretold.pdf")]
    dose = ("dose", "m1", "furan", "--sand-temp", "20", "--box", "900", "--at", AT)
    assert run(*dose, "--picture", files[0], shop=demo_shop).exit_code == 0
    done = run("learned", "furan", "--at", AT, "--picture", files[1], "--foretold", files[2], shop=demo_shop)
    assert done.exit_code == 0
    assert all(file.stat().st_size > 5_000 for file in files)
    assert run(*dose, "--picture", tmp_path / "region.gif", shop=demo_shop).exit_code == 2
