"""A Spanish shop from nothing: decimal comma, day first, semicolons; no number that is typed is taken for another."""

from __future__ import annotations

from pathlib import Path

import pytest

from sandtrack import Shop

from .desks import Desk

PLANT = """
[shop]
name = "Fundición del Valle"
time_zone = "Europe/Madrid"
valid_from = 2025-01-01
decimal = ","
date_order = "day_first"

[materials]
arena_nueva = { kind = "sand", name = "Arena nueva", role = "new", bulk_density_kg_m3 = 1600 }
arena_usada = { kind = "sand", role = "used" }
resina = { kind = "resin", name = "Resina", density_kg_m3 = 1180 }
acido = { kind = "catalyst", name = "Ácido", density_kg_m3 = 1200 }

[places]
silo_1 = { kind = "silo", name = "Silo 1", material = "arena_nueva", safe_fill = "90 t" }
deposito_resina = { kind = "tank", name = "Depósito de resina", material = "resina" }
deposito_acido = { kind = "tank", name = "Depósito de ácido", material = "acido" }
monton = { kind = "heap", name = "Montón", material = "arena_usada" }

[binder_systems.furanica]
name = "Furánica"
family = "furan_acid"
resin = "resina"
catalyst = "acido"
resin_pct = 1.0
usual_strip_min = 60
reference = { strip_time_min = 45, temp_c = 20, catalyst_pct = 35, definition = "hand" }

[mixers.m1]
name = "Mezcladora 1"
sand_kg_min = 150
binder_systems = ["furanica"]
draws = { furanica = { new_sand = "silo_1", resin = "deposito_resina", catalyst = "deposito_acido" } }
"""
TANKERS = (
    "at;place;mass_t;ticket;by",
    "31/01/2025 09:00;Silo 1;24,6;0117;ana",
    "03/02/2025 10:30;Silo 1;25,1;0118;ana",
)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A shop made from its set-up, by what `init --help` says."""
    return Desk(tmp_path, PLANT)


def test_a_file_with_commas_semicolons_and_days_first(desk: Desk) -> None:
    """24,6 t and 25,1 t on 31 January and 3 February make 49.7 t; loaded again they add nothing."""
    path = desk.file("delivery.csv", *TANKERS)
    done = desk.type("load", path)
    assert done.exit_code == 0, done.output
    assert "first day 2025-01-31, last day 2025-02-03" in done.output
    assert "49,7 t" in done.output
    assert desk.ask("stock")["stock_kg"]["silo_1"]["arena_nueva"] == pytest.approx(49_700)
    kept = [record["content"] for record in desk.ask("records", "--kind", "delivery")["records"]]
    assert [(one["at"], one["place"], one["mass_t"]) for one in kept] == [
        ("2025-02-03 10:30", "silo_1", 25.1),
        ("2025-01-31 09:00", "silo_1", 24.6),
    ]
    desk.type("load", path)
    assert len(desk.ask("records", "--kind", "delivery")["records"]) == 2


def test_what_is_typed_has_a_comma_too(desk: Desk) -> None:
    """24,310 t is 24.31 t, and is repeated; 24.310 kg is neither 24.31 nor 24,310 and is refused."""
    done = desk.type("log", "count", "--place", "Silo 1", "--mass", "24,310 t", "--at", "03/02/2025 06:00")
    assert done.exit_code == 0, done.output
    assert "24,31 t" in done.output
    assert desk.last() == {"at": "2025-02-03 06:00", "mass": "24.310 t", "place": "silo_1"}
    assert desk.ask("stock")["stock_kg"]["silo_1"]["arena_nueva"] == pytest.approx(24_310)
    done = desk.type("log", "delivery", "--place", "Silo 1", "--mass", "24.310 kg")
    assert done.exit_code == 2
    assert "24.310 kg" in done.stderr
    assert len(desk.ask("records")["records"]) == 2


def test_questions_take_commas_and_names(desk: Desk) -> None:
    """21,5 °C, 0,8, and the mixer and binder system by what people call them."""
    values = desk.ask("dose", "Mezcladora 1", "furánica", "--sand-temp", "21,5", "--box", "300", "--chance", "0,8")
    assert values["sand_temp_c"] == pytest.approx(21.5)
    assert values["wanted_chance"] == pytest.approx(0.8)
    done = desk.type("dose", "m1", "furanica", "--sand-temp", "21.5")
    assert done.exit_code == 2
    assert "--sand-temp" in done.stderr


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (("at;place;mass;by", "31/01/2025 09:00;Silo 1;24600;ana"), "mass_kg"),
        (("at;place;mass_t;by", "31/01/2025 09:00;Silo 1;24.6;ana"), "24.6"),
        (("at;place;mass_t;by", "01/31/2025 09:00;Silo 1;24,6;ana"), "day, month, year"),
        (("at;place;mass_t;by", "31/01/2025 09:00;Silo 7;24,6;ana"), "did you mean silo_1"),
    ],
)
def test_lines_with_two_meanings_are_refused(desk: Desk, lines: tuple[str, ...], says: str) -> None:
    """No unit, the other decimal mark, the other order of a date, a name nobody knows: nothing is loaded."""
    done = desk.type("load", desk.file("delivery.csv", *lines))
    assert done.exit_code == 2, done.output
    assert says in done.stderr
    assert len(desk.ask("records")["records"]) == 1


def test_no_setting_changes_what_is_in_the_book(desk: Desk) -> None:
    """Units, decimal sign, order of dates and names revised: content, stock, `verify` and a load again are the same."""
    desk.type("load", desk.file("delivery.csv", *TANKERS))
    desk.type("log", "count", "--place", "Silo 1", "--mass", "50,5 t", "--at", "04/02/2025 06:00", "--id", "c1")
    with Shop.open(desk.shop) as shop:
        before = shop.records(kind="delivery").values["records"], shop.stock("2025-02-05").values["stock_kg"]
    revised = PLANT.replace('decimal = ","', 'decimal = "."\nunits = "us"').replace("day_first", "month_first")
    revised = revised.replace('name = "Silo 1"', 'name = "Silo norte"').replace("2025-01-01", "2025-01-02")
    done = desk.type("plant", "import", desk.file("plant_2.toml", revised))
    assert done.exit_code == 0, done.output
    assert "date_order from day_first to month_first" in " ".join(done.output.split())
    with Shop.open(desk.shop) as shop:
        assert shop.verify() == []
        assert (shop.records(kind="delivery").values["records"], shop.stock("2025-02-05").values["stock_kg"]) == before
    again = desk.file("delivery.csv", "at,place,mass_t,ticket,by", "2025-01-31 09:00,Silo 1,24.6,0117,ana")
    assert desk.type("load", again).exit_code == 0
    done = desk.type("log", "count", "--place", "Silo 1", "--mass", "50.5 t", "--at", "02/04/2025 06:00", "--id", "c1")
    assert done.output.startswith("known already"), done.output
    with Shop.open(desk.shop) as shop:
        assert shop.records(kind="delivery").values["records"] == before[0]
