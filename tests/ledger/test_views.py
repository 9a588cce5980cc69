"""The views of a shop file, read by plain SQL and by pandas, against the library's own answers."""

from __future__ import annotations

import json
import random
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from sandtrack.ledger import Ledger
from sandtrack.ledger.views import zone_offsets
from sandtrack.plant import OUTSIDE
from sandtrack.records import times
from sandtrack.shop import Shop

from .shops import PLANT, tell


def plain(path: Path) -> sqlite3.Connection:
    """The file as anybody may read it."""
    return sqlite3.connect(f"file:{path}?mode=ro", uri=True)


def test_stock_now_is_the_shop_s_stock(demo_shop: Path):
    """Every place, material, mass and time of counting of the invented year; what is not there, the shop has as 0."""
    with closing(plain(demo_shop)) as raw:
        rows = raw.execute("SELECT place, material, stock_kg, counted_at FROM stock_now").fetchall()
    view = {(place, material): kg for place, material, kg, _ in rows}
    with Shop.open(demo_shop) as shop:
        answer = shop.stock()
    held = {(place, name): kg for place, inside in answer.values["stock_kg"].items() for name, kg in inside.items()}
    counted = answer.values["counted_on"]
    assert len(view) == len(rows) > 20
    assert view == {key: kg for key, kg in held.items() if kg or counted[key[0]][key[1]]}
    for place, material, _, counted_at in rows:
        told = counted.get(place, {}).get(material)
        assert counted_at == told


def test_flow_by_month_is_the_ledger_s_flow(demo_shop: Path):
    """Each month's masses and numbers of records, by kind, way and material."""
    with closing(plain(demo_shop)) as raw:
        rows = raw.execute("SELECT * FROM flow_by_month").fetchall()
    months = sorted({row[0] for row in rows})
    assert months == [f"2025-{month:02d}" for month in range(1, 13)]
    with closing(Ledger.open(demo_shop)) as ledger, ledger.reader() as reader:
        for month, after in zip(months, [*months[1:], "2026-01"], strict=True):
            start, end = (times.day_start(times.day(f"{one}-01"), ledger.zone) - 1 for one in (month, after))
            wanted: dict[tuple[str, ...], list[float]] = {}
            for flow in reader.flows(start, end):
                total = wanted.setdefault((flow.kind, flow.source, flow.target, flow.material), [0, 0])
                total[0] += flow.mass_mg
                total[1] += flow.records
            assert {row[1:5]: [round(row[5] * 1e6), row[6]] for row in rows if row[0] == month} == wanted


def test_records_readable_are_the_records(demo_shop: Path):
    """As many of each kind as were sent, times in the shop's zone and in UTC, contents as JSON, withdrawn ones said."""
    with closing(plain(demo_shop)) as raw:
        rows = raw.execute("SELECT seq, at, at_utc, recorded, recorded_utc FROM records_readable").fetchall()
        instants = raw.execute("SELECT seq, at, recorded FROM record").fetchall()
        withdrawn = raw.execute("SELECT count(*) FROM records_readable WHERE withdrawn").fetchone()[0]
        reversals = raw.execute("SELECT count(*) FROM records_readable WHERE kind = 'reversal'").fetchone()[0]
        tonnes = raw.execute(
            "SELECT json_extract(content, '$.ticket'), content FROM records_readable WHERE kind = 'delivery' LIMIT 1"
        ).fetchone()
    zone = ZoneInfo("Europe/Stockholm")

    def shown(at: int) -> list[str]:
        instant = datetime.fromtimestamp(at // 1_000_000, UTC)
        return [instant.astimezone(zone).isoformat(), instant.strftime("%Y-%m-%dT%H:%M:%SZ")]

    assert rows == [(seq, *shown(at), *shown(recorded)) for seq, at, recorded in instants]
    assert withdrawn == reversals > 0
    assert tonnes[0] == json.loads(tonnes[1])["ticket"]


def test_pandas_reads_a_shop_without_sandtrack(demo_shop: Path):
    """A frame of each view, with the file opened for reading only; nothing is left beside it."""
    with closing(plain(demo_shop)) as raw:
        stock = pd.read_sql("SELECT * FROM stock_now", raw)
        flow = pd.read_sql("SELECT * FROM flow_by_month", raw)
        mixes = pd.read_sql("SELECT * FROM records_readable WHERE kind = 'mix'", raw, parse_dates={"at_utc": {}})
    assert str(stock.stock_kg.dtype) == "float64"
    assert flow.groupby("month").mass_kg.sum().min() > 0
    assert mixes.at_utc.dt.tz_convert("Europe/Stockholm").dt.year.eq(2025).all()
    with closing(plain(demo_shop)) as raw, pytest.raises(sqlite3.OperationalError, match="readonly"):
        raw.execute("DELETE FROM flow")


@pytest.mark.parametrize("zone", ["Europe/Stockholm", "America/St_Johns", "Pacific/Kiritimati", "Pacific/Pago_Pago"])
@pytest.mark.parametrize("seed", range(2))
def test_stock_now_by_random_days_around_now(tmp_path: Path, zone: str, seed: int):
    """Movements, counts and withdrawals within days of this moment, some still to come, in zones far apart."""
    dice = random.Random(f"{zone}{seed}")
    plant = {**PLANT, "shop": {**PLANT["shop"], "time_zone": zone}}
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    with closing(Ledger.create(tmp_path / "test.shop", plant, sender="office")) as ledger:
        for number in range(60):
            at = (now - timedelta(minutes=dice.randrange(-2000, 6000) + 2)).isoformat()
            kg = dice.randrange(1, 1000)
            if number % 6 == 5:
                place = dice.choice(["silo_new", "yard"])
                content = {"at": at, "place": place, "mass_kg": kg, "material": "new_sand"}
                if dice.random() < 0.3:
                    content = {"at": at, "place": place, "empty": True}
                tell(ledger, "count", f"r{number}", content)
            elif number % 6 == 4:
                tell(
                    ledger, "transfer", f"r{number}", {"at": at, "source": "silo_new", "target": "yard", "mass_kg": kg}
                )
            else:
                tell(ledger, "delivery", f"r{number}", {"at": at, "place": "silo_new", "mass_kg": kg})
        for number in dice.sample(range(60), 8):
            of = {"sender": "op", "id": f"r{number}"}
            tell(ledger, "reversal", f"b{number}", {"of": of, "reason": "mistake"})
        with closing(plain(tmp_path / "test.shop")) as raw:
            view = {(row[0], row[1]): row[2] for row in raw.execute("SELECT * FROM stock_now")}
        at = time.time_ns() // 1000
        with ledger.reader() as reader:
            wanted = {
                (place, material): reader.stock_mg(place, material, at) / 1e6
                for place, material in reader.holdings()
                if place not in OUTSIDE and (reader.stock_mg(place, material, at) or reader.anchor(place, material, at))
            }
    assert view == wanted


def test_the_clock_changes_of_a_zone_are_all_known():
    """Stockholm by the European rule: last Sundays of March and October, 01:00 UTC; a fixed zone has none."""
    changes = zone_offsets(ZoneInfo("Europe/Stockholm"))
    of_2025 = [(since, shift) for since, shift in changes if since // 1_000_000 // 31_556_952 == 55]
    # Directive 2000/84/EC, articles 2 and 3: 30 March and 26 October 2025
    assert of_2025 == [
        (int(datetime(2025, 3, 30, 1, tzinfo=UTC).timestamp()) * 1_000_000, 7200),
        (int(datetime(2025, 10, 26, 1, tzinfo=UTC).timestamp()) * 1_000_000, 3600),
    ]
    assert [shift for _, shift in zone_offsets(ZoneInfo("UTC"))] == [0]
    for since, shift in zone_offsets(ZoneInfo("Australia/Lord_Howe"))[1:]:  # changes by half an hour
        before, after = (
            datetime.fromtimestamp(since / 1e6 + step, ZoneInfo("Australia/Lord_Howe")).utcoffset() for step in (-1, 0)
        )
        assert before != after == timedelta(seconds=shift)
