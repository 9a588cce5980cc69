"""Make the invented year of records beside this script: `python demo_data/make.py [--to FOLDER]`.

The same files, byte for byte, on every run. README.md tells the truth behind them.
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from making import daily, moulding, untidy, watching  # noqa: E402
from making.yard import Yard  # noqa: E402

STREAMS = [f"stream{number}_{part}" for number in range(1, 6) for part in ("place", "lot", "mass_kg")]
SIEVES = ["30", "40", "50", "70", "100", "140", "200", "270", "pan"]
COMMON = ["id", "sender", "at"]
COLUMNS = {
    "delivery": [
        "place", "material", "mass_kg", "gross_kg", "tare_kg", "ticket", "lot", "made_on", "use_by",
        "density_kg_m3", "certificate_passed", "certificate_fines_pct", "certificate_acid_demand_ml",
        "certificate_moisture_pct", "note",
    ],
    "transfer": ["source", "mould", "mass_kg"],
    "mix": [
        "started_at", "mixer", "binder_system", "purpose", "moulds", "patterns", "shares", "destination",
        "sand_temp_c", *STREAMS, "note",
    ],
    "pour": ["moulds", "metal", "poured_kg", "temperature_c"],
    "knock_out": ["moulds", "to", "carried_out_kg", "note"],
    "mould_scrap": ["moulds", "to", "reason"],
    "castings": ["good_kg", "rejected_kg", "moulds", "since", "until"],
    "reclaim_run": [
        "source", "reclaimer", "fed_kg", "returned_kg", "to", "lumps_kg", "lumps_to", "dust_kg", "dust_to",
        "run_h", "energy_kwh",
    ],
    "disposal": ["place", "material", "waste", "mass_kg", "container", "consignment", "destination"],
    "count": ["place", "mass_kg", "empty", "method", "error_pct"],
    "level": ["place", "level_m", "ullage_m", "note"],
    "temperature": ["what", "place", "mixer", "value_c", "humidity_pct"],
    "strip_check": [
        "mould", "mix", "binder_system", "mixer", "definition", "earliest_min", "latest_min", "catalyst_pct",
        "fast_share", "sand_temp_c", "lot",
    ],
    "sand_test": [
        "test", "method", "sample_place", "readings_crucible_g", "readings_before_g", "readings_after_g",
        "readings_furnace_c", *[f"readings_{sieve}" for sieve in SIEVES], "readings_sand_g", "readings_acid_ml",
        "readings_acid_normality", "readings_base_ml", "readings_base_normality", "readings_end_ph", "note",
    ],
    "calibration": [
        "mixer", "stream", "setting",
        *[f"catch{number}_{part}" for number in (1, 2, 3) for part in ("seconds", "mass_g")],
    ],
    "hold": ["place", "mould", "reason"],
    "release": ["place", "lot", "reason"],
    "reversal": ["of_sender", "of_id", "reason"],
}  # fmt: skip


STEPS = (
    daily.disposals, daily.bad_sand_released, daily.acid_tank_emptied, daily.tankers, daily.containers, daily.scrap,
    daily.knock_out, daily.pour, daily.knock_out_what_was_poured_today, moulding.mix_day, daily.reclaim,
    watching.levels, watching.temperatures, watching.sand_tests, watching.calibrations,
)  # fmt: skip


def live_the_year() -> Yard:
    """Every day in turn, step by step; chance begins anew at each, so that no step disturbs the chances of another."""
    yard = Yard(HERE / "plant.toml")
    for day in yard.days():
        yard.throw(day, "weather")
        yard.off_mean_c = 0.75 * yard.off_mean_c + 0.9 * yard.scatter()
        for step in STEPS if yard.works(day) else ():
            yard.throw(day, step.__name__)
            step(yard, day)
        yard.close_day()
        yard.throw(day, "counts")
        watching.month_end(yard, day)
        yard.close_day()
    daily.castings_of_weeks(yard)
    return yard


def write(path: Path, kind: str, rows: list[dict[str, str]]) -> None:
    """One file of one kind; columns in the order of COLUMNS, no column that nobody fills."""
    names = [name for name in COMMON + COLUMNS[kind] if any(name in row for row in rows)]
    strange = {name for row in rows for name in row} - set(names)
    if strange:
        raise ValueError(f"{kind}: no column for {sorted(strange)}")
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """Write the files and print what was planted."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, default=HERE, help="folder to write to (default: beside this script)")
    folder = parser.parse_args().to
    yard = live_the_year()
    rows, found_later = untidy.make_untidy(yard)
    for kind, found in rows.items():
        write(folder / f"{kind}.csv", kind, found)
    write(folder / "found_later" / "delivery.csv", "delivery", found_later)
    for what, planted in yard.planted.items():
        print(f"{what}: {', '.join(row['id'] for row in planted)}")
    for kind, found in sorted(rows.items()):
        print(f"{kind}.csv: {len(found)} rows")
    for place, mass in yard.stock.items():
        print(f"{place}: {mass / 10:.1f} kg in truth at the end of the year")
    print(f"moulds standing: {len(yard.moulds)}")


if __name__ == "__main__":
    main()
