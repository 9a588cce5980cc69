"""The command line as its users meet it: what it prints, what it leaves behind, how it ends."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from sandtrack.cli import main
from sandtrack.records import KINDS

DEMO = Path(__file__).parents[2] / "demo_data"
AT = "2025-12-30 15:00"


def run(*words: str | Path, shop: Path | None = None) -> Result:
    """Run `sandtrack …` on a shop, by the environment's SANDTRACK_SHOP."""
    env = {"SANDTRACK_SHOP": str(shop) if shop else "", "COLUMNS": "110"}
    return CliRunner(env=env).invoke(main, [str(word) for word in words], catch_exceptions=False)


@pytest.fixture
def new_shop(tmp_path: Path) -> Path:
    """A shop file just made from the invented foundry's set-up."""
    path = tmp_path / "new.sandtrack"
    done = run("init", "--shop", path, DEMO / "plant.toml")
    assert done.exit_code == 0, done.output
    return path


def test_every_command_has_help_with_an_example():
    """Each command explains itself; each that has arguments or options of its own shows an example."""
    for name, command in main.commands.items():
        done = run(name, "--help")
        assert done.exit_code == 0
        assert "Example" in done.output or hasattr(command, "commands"), name


def test_log_offers_every_kind_with_its_columns():
    """`log KIND` has an option for each column of the kind."""
    for kind in KINDS:
        done = run("log", kind, "--help")
        assert done.exit_code == 0
        assert "--note" in done.output
    assert "--stream1-mass-kg" in run("log", "mix", "--help").output


def test_log_and_ask(new_shop: Path):
    """A tanker logged in tonnes stands in the stock, in kilograms in JSON and in short tons for who wants them."""
    empty = ["log", "count", "--at", "2025-01-01", "--place", "silo_new", "--empty", "true"]
    assert run(*empty, shop=new_shop).exit_code == 0
    done = run(
        "log",
        "delivery",
        "--at",
        "2025-01-02 08:00",
        "--place",
        "silo_new",
        "--material",
        "new_sand",
        "--mass",
        "24.6 t",
        "--id",
        "d1",
        "--sender",
        "gate",
        shop=new_shop,
    )
    assert done.exit_code == 0
    assert done.output.startswith("recorded: delivery d1 of gate")
    assert "DANGER  Never enter a silo" in done.output
    stock = json.loads(run("stock", "--at", "2025-01-02", "--json", shop=new_shop).output)
    assert stock["values"]["stock_kg"]["silo_new"]["new_sand"] == 24600
    assert stock["values"]["room_kg"]["silo_new"] == 50000 - 24600
    # 24 600 kg / 907.18474 kg = 27.117 short tons (NIST SP 811, B.8)
    assert "27.12 short tons" in run("stock", "--at", "2025-01-02", "--units", "us", shop=new_shop).output


def test_the_same_record_again_adds_nothing(new_shop: Path):
    """A repeat with the same id is known already; another content under that id is refused with exit code 2."""
    words = ["log", "count", "--at", "2025-01-01", "--place", "silo_new", "--id", "c1", "--sender", "ida"]
    assert run(*words, "--mass-kg", "20000", shop=new_shop).output.startswith("recorded")
    again = run(*words, "--mass-kg", "20000", shop=new_shop)
    assert again.exit_code == 0
    assert again.output.startswith("known already")
    other = run(*words, "--mass-kg", "21000", shop=new_shop)
    assert other.exit_code == 2
    assert "different: mass_kg" in other.output


def test_undo_takes_a_record_back(new_shop: Path):
    """`undo` withdraws a record, and a second time it says that this was done."""
    run(
        "log",
        "delivery",
        "--at",
        "2025-01-02",
        "--place",
        "silo_new",
        "--mass",
        "10 t",
        "--id",
        "d1",
        "--sender",
        "gate",
        shop=new_shop,
    )
    run(
        "log",
        "delivery",
        "--at",
        "2025-01-02 09:00",
        "--place",
        "silo_new",
        "--mass",
        "10 t",
        "--id",
        "d2",
        "--sender",
        "gate",
        shop=new_shop,
    )
    done = run("undo", "d2", "--sender", "gate", "--reason", "typed twice", "--by", "ida", shop=new_shop)
    assert done.exit_code == 0
    stock = json.loads(run("stock", "--at", "2025-01-03", "--json", shop=new_shop).output)
    assert stock["values"]["stock_kg"]["silo_new"]["new_sand"] == 0
    again = run("undo", "d2", "--sender", "gate", "--reason", "typed twice", "--by", "ida", shop=new_shop)
    assert again.exit_code == 2
    assert "is reversed already" in again.output
    assert "WITHDRAWN" in run("records", "--id", "d2", shop=new_shop).output


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ["log", "delivery", "--at", "2025-01-02 08:00", "--place", "silo_nwe", "--mass", "24 t"],
            "place: 'silo_nwe' is not among the places",
        ),
        (
            ["log", "delivery", "--at", "2025-01-02 08:00", "--place", "silo_new", "--mass", "24 tons"],
            "tonne (1000 kg), short ton (907.18474 kg), long ton (1016.0469088 kg)",
        ),
        (
            ["log", "delivery", "--at", "2025-01-32 08:00", "--place", "silo_new", "--mass", "24 t"],
            "is not a time of the calendar",
        ),
        (
            ["log", "delivery", "--at", "2025-03-30 02:30", "--place", "silo_new", "--mass", "24 t"],
            "does not exist in the shop's time zone (clocks go forward); add the offset",
        ),
        (
            [
                "log",
                "mix",
                "--at",
                "2025-01-02 08:00",
                "--mixer",
                "m1",
                "--binder-system",
                "furan",
                "--moulds",
                "1;1",
                "--stream1-place",
                "silo_new",
                "--stream1-mass-kg",
                "300",
            ],
            "lists '1' twice",
        ),
        (["dose", "m9", "furan", "--sand-temp", "20"], "mixer 'm9' is not in the set-up; there are: m1, m2"),
        (["dose", "m1", "furan", "--sand-temp", "20 K"], "--sand-temp"),
        (["stock", "--at", "yesterday"], "at: 'yesterday' is not a time"),
        (["stock", "--known-on", "2025-13-01"], "known_on: '2025-13-01'"),
    ],
)
def test_bad_input_ends_with_2_and_says_what(new_shop: Path, words: list[str], said: str):
    """Bad input names the field, the value and what would do, and ends with exit code 2."""
    done = run(*words, shop=new_shop)
    assert done.exit_code == 2, done.output
    assert said in done.output


def test_no_shop_or_a_bad_one(tmp_path: Path):
    """Without a shop the command says how to name one; a file that is none ends with 3."""
    assert run("stock").exit_code == 2
    assert "--shop FILE, or the environment's SANDTRACK_SHOP" in run("stock").output
    missing = run("stock", shop=tmp_path / "nothing.sandtrack")
    assert missing.exit_code == 3
    assert "is not there; make a shop with `sandtrack init`" in missing.output
    other = tmp_path / "notes.txt"
    other.write_text("not a database, but long enough to look like one " * 40)
    done = run("stock", shop=other)
    assert done.exit_code == 3
    assert "is not a shop file of sandtrack" in done.output


def test_init_does_not_overwrite(new_shop: Path):
    """A shop file that is there already is left alone."""
    before = new_shop.read_bytes()
    done = run("init", "--shop", new_shop, DEMO / "plant.toml")
    assert done.exit_code == 3
    assert new_shop.read_bytes() == before


def test_dose_says_yes_and_no(demo_shop: Path):
    """In warm sand a setting serves, with exit code 0; in cold sand the answer is no, with 1 and a way out."""
    warm = run("dose", "m2", "furan", "--sand-temp", "70 °F", "--at", AT, shop=demo_shop)
    assert warm.exit_code == 0, warm.output
    assert "test, then draw" in warm.output
    cold = run("dose", "m1", "furan", "--sand-temp", "4", "--strip", "30", "--at", AT, shop=demo_shop)
    assert cold.exit_code == 1
    assert cold.output.startswith("No: ")
    assert "instead: " in cold.output


def test_dose_reads_units_and_says_when_to_ask_again(demo_shop: Path):
    """2000 lb are 907.185 kg, 1.5 h are 90 min; purpose and chance reach the answer; 3 °C either way ask again."""
    asked = ("dose", "m1", "furan", "--sand-temp", "18", "--box", "2000 lb", "--strip", "1.5 h", "--chance", "0.9",
             "--purpose", "facing", "--at", AT)  # fmt: skip
    values = json.loads(run(*asked, "--json", shop=demo_shop).output)["values"]
    assert values["box_sand_kg"] == pytest.approx(907.18474)
    assert (values["wanted_strip_min"], values["wanted_chance"], values["purpose"]) == (90, 0.9, "facing")
    told = run(*asked, shop=demo_shop).output
    assert told.startswith("Large mixer, Furan, acid-cured (iron), facing\n")
    assert "sand     18 °C; once it is below 15 °C or above 21 °C, ask again" in told
    assert "sand     64.4 °F; once it is below 59 °F" in run(*asked, "--units", "us", shop=demo_shop).output


def test_dose_of_a_setting_without_any_wanted_time(tmp_path: Path):
    """Where nothing is wanted and nothing usual, a setting asked about is told with its times, and no chance."""
    plant = tmp_path / "plant.toml"
    plant.write_text(re.sub(r"usual_strip_min = .*", "", (DEMO / "plant.toml").read_text()))
    run("init", "--shop", tmp_path / "s.sandtrack", plant)
    done = run("dose", "m1", "furan", "--sand-temp", "18", "--catalyst-pct", "30", shop=tmp_path / "s.sandtrack")
    assert done.exit_code == 0, done.output
    assert "from the last sand" in done.output
    assert "chance" not in done.output.partition("WARNING")[0]


def test_what_the_checks_taught_is_told(demo_shop: Path):
    """The law with ranges, how it foretold, whether to trust it and the next check, all in words."""
    told = run("learned", "furan", "--why", "--at", AT, shop=demo_shop)
    assert told.exit_code == 0, told.output
    flat = " ".join(told.output.split())
    for words in ("activation energy, kJ/mol", "learned anew every 6", "of 16 resin lots", "the belief that never",
                  "doubled for 10 °C colder", "trust it? Yes:", "Check a mould at", "because"):  # fmt: skip
        assert words in flat
    assert run("learned", "clay", shop=demo_shop).exit_code == 2


def test_checks_that_are_left_out_are_told(new_shop: Path):
    """Two checks by hand count, one by a hardness gauge does not, and the report says so."""
    for day, definition in (("02", "hand"), ("03", "hand"), ("04", "hardness")):
        run("log", "strip_check", "--at", f"2025-02-{day} 10:00", "--binder-system", "furan",
            "--definition", definition, "--earliest-min", "40", "--latest-min", "45", "--catalyst-pct", "34",
            "--sand-temp-c", "20", shop=new_shop)  # fmt: skip
    told = run("learned", "furan", "--at", "2025-02-05", shop=new_shop).output
    assert "rests on 2 checks by hand from 2025-02-02 to 2025-02-03, worth 2 by their age" in told
    assert "left out 1 by hardness" in told
    by_gauge = run("learned", "furan", "--definition", "hardness", "--at", "2025-02-05", shop=new_shop).output
    assert "rests on 1 check by hardness from 2025-02-04" in by_gauge
    assert "left out 2 by hand" in by_gauge


def test_a_stopped_fill_is_carried_on_or_dumped(demo_shop: Path):
    """A minute after the stop it is carried on (exit code 0), after 14 min tested, after two hours dumped (1)."""
    live, few, dead = (
        run("stopped", "m2", "furan", minutes, "--sand-temp", "20", "--filled-for", "1", "--at", AT, shop=demo_shop)
        for minutes in ("1", "14", "120")
    )
    assert (live.exit_code, few.exit_code, dead.exit_code) == (0, 1, 1)
    assert "carry on: all sand in the box works" in live.output
    assert few.output.startswith("Only after a test: ")
    assert "carry on" not in few.output
    assert dead.output.startswith("No: ")
    assert "instead: dump the box" in dead.output
    for given in (live, few, dead):
        assert "isolate and lock the mixer before a hand goes in" in " ".join(given.output.split())


def test_a_mixer_is_judged_in_words(demo_shop: Path):
    """The week of the planted drift: the catch that lies low, and the doses that were low, each in a sentence."""
    caught = run("calibration", "m2", "--at", "2025-05-19", "--why", shop=demo_shop)
    assert caught.exit_code == 0, caught.output
    for words in (
        "catalyst",
        "with settings left as before",
        "due by 2025-05-26",
        "look at the pump",
        "Fieller",
        "DANGER  Keep hands out of the screw",
    ):
        assert words in caught.output
    dosed = run("audit", "--mixer", "m2", "--since", "2025-05-01", "--until", "2025-05-31", "--why", shop=demo_shop)
    assert dosed.exit_code == 0, dosed.output
    for words in ("Acid tank", "shows in", "It began about 14 May 2025", "false alarms: at most one in"):
        assert words in " ".join(dosed.output.split())
    assert not re.search(r"\d%", caught.output + dosed.output), "a percent sign stands apart from its number"
    briefly = run("audit", "--mixer", "m2", "--since", "2025-05-14", "--until", "2025-05-14", shop=demo_shop)
    assert "not judged  Acid tank; Furan resin tank: no two counts" in briefly.output
    assert "lb/min" in run("calibration", "m2", "--at", "2025-05-19", "--units", "us", shop=demo_shop).output
    assert run("audit", "--mixer", "m9", shop=demo_shop).exit_code == 2


def test_template_loads(new_shop: Path, tmp_path: Path):
    """A template filled in by hand loads; what is wrong in it is said by file, line and column."""
    header = run("template", "count").output
    assert header.startswith("id,sender,at,by,place,material,mass_kg")
    names = header.strip().split(",")
    good = {"id": "c1", "sender": "ida", "at": "2025-01-31", "place": "silo_new", "mass_kg": "18000"}
    bad = good | {"id": "c2", "mass_kg": "-3"}
    file = tmp_path / "count.csv"
    lines = [",".join(row.get(name, "") for name in names) for row in (good, bad)]
    file.write_text("\n".join([header.strip(), *lines]) + "\n")
    refused = run("load", file, shop=new_shop)
    assert refused.exit_code == 2
    assert "line 3" in refused.output
    assert "mass_kg" in refused.output
    assert "count  c1" not in run("records", shop=new_shop).output
    kept = run("load", "--keep-good", "--rejects", tmp_path / "bad", file, shop=new_shop)
    assert kept.exit_code == 2
    assert "count  c1" in run("records", shop=new_shop).output


def test_verify_names_a_violation(demo_shop: Path):
    """`verify` ends with 0 on a whole book and with 4 on one that was edited."""
    import sqlite3

    assert run("verify", shop=demo_shop).exit_code == 0
    with sqlite3.connect(demo_shop) as raw:
        raw.execute("DROP TRIGGER record_no_update")
        raw.execute("UPDATE record SET content = replace(content, '24.6', '14.6') WHERE seq = 5")
        raw.execute("UPDATE record SET content = content || ' ' WHERE seq = 5")
    raw.close()
    done = run("verify", shop=demo_shop)
    assert done.exit_code == 4
    assert "record 5" in done.output


def test_plant_goes_out_and_in(demo_shop: Path, tmp_path: Path):
    """The set-up written out and brought in again is the same; show names what is in it."""
    toml = run("plant", "export", shop=demo_shop).output
    file = tmp_path / "plant.toml"
    file.write_text(toml.replace("2025-01-01", "2026-01-01"))
    done = run("plant", "import", file, "--by", "ida", shop=demo_shop)
    assert done.exit_code == 0, done.output
    assert "New sand silo (silo_new)" in run("plant", "show", shop=demo_shop).output
    assert "2026-01-01" in run("plant", "export", "--at", "2026-02-01", shop=demo_shop).output
    assert "2026-01-01" not in run("plant", "export", "--at", "2025-06-01", shop=demo_shop).output


def test_brief_is_one_screen(demo_shop: Path):
    """The brief of the invented year has its five parts within 100 columns and 60 lines, in ink alone."""
    done = run("brief", "--at", AT, shop=demo_shop)
    assert done.exit_code == 0, done.output
    for part in ("WHERE IT IS", "MOULDS", "SET TODAY", "CAME BACK", "LOOK AT", "WARNING"):
        assert part in done.output
    lines = done.output.splitlines()
    assert max(map(len, lines)) <= 100
    assert len(lines) <= 60
    assert "\x1b" not in done.output
    assert "24,445 kg more New silica sand than booked" in " ".join(done.output.split())


def test_the_brief_tells_materials_apart(demo_shop: Path):
    """Resin pumped into the acid tank stands in a row of its own, never added to the acid; US units reach all of it."""
    told = run("brief", "--at", "2025-03-14 15:30", "--units", "us", shop=demo_shop).output
    assert "Acid tank: Furan resin" in told
    assert "°F" in told
    assert "°C" not in told.split("SET TODAY")[1].split("CAME BACK")[0].split("instead")[0]
    assert "8 of 10 cases" in " ".join(told.split())


def test_every_question_answers_in_json(demo_shop: Path):
    """Every question gives the one shape of an answer as JSON."""
    period = ["--since", "2025-11-01", "--until", "2025-11-30"]
    for words in (
        ["brief", "--at", AT],
        ["stock"],
        ["cover"],
        ["moulds", "--at", AT],
        ["attention", "--at", AT],
        ["stopped", "m2", "furan", "5", "--sand-temp", "20", "--at", AT],
        ["learned", "furan", "--at", AT],
        ["dose", "m2", "furan", "--sand-temp", "20", "--at", AT],
        ["reclaim", *period],
        ["balance", *period],
        ["calibration", "m2", "--at", AT],
        ["audit", *period],
        ["records", "--limit", "2"],
    ):
        answer = json.loads(run(*words, "--json", shop=demo_shop).output)
        assert set(answer) == {
            "question",
            "as_of",
            "known_on",
            "values",
            "ranges",
            "basis",
            "flags",
            "cautions",
            "defer",
            "possible",
            "verdict",
            "because",
            "instead",
            "head",
            "verified",
        }
        assert answer["basis"], words
        assert answer["head"].startswith("18714 records")
