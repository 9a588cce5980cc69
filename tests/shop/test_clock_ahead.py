"""A computer's clock that jumps ahead by years: nothing is dated there for good until somebody looked at it."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner
from sandtrack_api import create_app
from sandtrack_api.tokens import Tokens

from sandtrack.cli import common, main
from sandtrack.errors import ClockAhead
from sandtrack.shop import Shop

from .conftest import PLANT, Clock

TANKER = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1000}
LOG = ["log", "delivery", "--at", "2025-03-01 08:00", "--place", "silo_new", "--mass-kg", "1000"]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A shop whose last record is of 2025, which the clock of whoever runs these tests is far past."""
    path = tmp_path / "a.sandtrack"
    Shop.create(path, PLANT, clock=Clock("2025-03-15 12:00")).close()
    return path


@pytest.mark.parametrize(("now", "refused"), [("2026-04-19 12:00", False), ("2026-04-19 14:00", True)])
def test_over_400_days_past_the_last_record_nothing_is_recorded(path: Path, now: str, refused: bool):
    """15 March 2025 12:00 and 400 days are 19 April 2026 12:00 of the same offset, 13:00 in summer time."""
    with Shop.open(path, clock=Clock(now)) as shop:
        if refused:
            with pytest.raises(ClockAhead, match="400 days after the last record") as caught:
                shop.log("delivery", TANKER, sender="gate", id="d1")
            assert caught.value.code == "clock_ahead"
            assert shop.ledger.head().records == 1
            assert shop.stock().possible  # questions are answered all the same
        else:
            assert shop.log("delivery", TANKER, sender="gate", id="d1").new


def test_one_bad_battery_does_not_end_as_known_on(path: Path):
    """The clock jumps to 2041 and back: what is known on a day stays what was recorded by then."""
    clock = Clock("2041-01-01 12:00")
    with Shop.open(path, clock=clock) as shop:
        with pytest.raises(ClockAhead):
            shop.log("delivery", TANKER, sender="gate", id="d1")
        clock.set("2025-03-16 12:00")
        assert shop.log("delivery", TANKER, sender="gate", id="d1").recorded_at.startswith("2025-03-16T12:00")
        assert shop.stock(known_on="2025-03-15").values["stock_kg"].get("silo_new", {}).get("new_sand", 0) == 0
        assert shop.stock(known_on="2025-03-16").values["stock_kg"]["silo_new"]["new_sand"] == 1000


def test_a_shop_that_stood_still_for_years_goes_on_when_the_clock_is_confirmed(path: Path):
    """The library is told that the clock is right; from then on the last record is a new one."""
    clock = Clock("2028-03-16 12:00")
    with Shop.open(path, clock=clock, clock_is_right=True) as shop:
        assert shop.log("delivery", TANKER, sender="gate", id="d1").new
    with Shop.open(path, clock=clock) as shop:
        assert shop.log("delivery", TANKER, sender="gate", id="d2").new
        assert shop.verify() == []


def test_the_command_line_asks_first(path: Path, monkeypatch: pytest.MonkeyPatch):
    """Without a terminal it names the option; on one it asks, and no is no."""
    run = CliRunner().invoke
    words = [*LOG, "--shop", str(path)]
    refused = run(main, words)
    assert (refused.exit_code, "--clock-is-right" in refused.stderr) == (2, True)
    undo = ["undo", "first", "--sender", "set-up", "--reason", "slip", "--shop", str(path)]
    assert "--clock-is-right" in run(main, undo).stderr
    monkeypatch.setattr(common, "on_terminal", lambda: True)
    no = run(main, words, input="n\n")
    assert (no.exit_code, "Is the clock right?" in no.stderr) == (2, True)
    assert records(path) == 1
    assert run(main, words, input="y\n").exit_code == 0
    assert records(path) == 2


def test_the_command_line_takes_a_clock_that_is_right(path: Path):
    """The option stands for the answer, where nobody can be asked."""
    assert CliRunner().invoke(main, [*LOG, "--shop", str(path), "--clock-is-right"]).exit_code == 0
    assert records(path) == 2


def records(path: Path) -> int:
    """How many records a shop has."""
    with Shop.open(path) as shop:
        return shop.ledger.head().records


def test_the_service_answers_503_so_that_devices_keep_their_queue(path: Path):
    """With Retry-After, also for an upload, and health says it; set right again, the same is recorded."""
    clock = Clock("2041-01-01 12:00")
    _, token = Tokens.beside(path, clock).make(role="manager", name="greta")
    client = create_app({"SANDTRACK_SHOP": str(path), "SANDTRACK_CLOCK": clock}).test_client()
    headers = {"Authorization": f"Bearer {token}"}
    one = client.post("/v1/records/delivery", json={"id": "d1", **TANKER}, headers=headers)
    lines = client.post(
        "/v1/records",
        data=b'{"kind": "delivery", "id": "d2", "at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1000}\n',
        content_type="application/x-ndjson",
        headers=headers,
    )
    for answer in (one, lines):
        assert (answer.status_code, answer.json["code"]) == (503, "clock_ahead")
        assert int(answer.headers["Retry-After"]) > 0
    health = client.get("/v1/health").json
    assert (health["status"], health["records"]) == ("clock_ahead", 1)
    assert "2041" in health["detail"]
    clock.set("2025-03-16 12:00")
    assert client.post("/v1/records/delivery", json={"id": "d1", **TANKER}, headers=headers).status_code == 201
    assert client.get("/v1/health").json["status"] == "ok"
