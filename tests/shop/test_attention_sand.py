"""The attention list on moulds, mixers and sand: each check once raised, with its sentence, and once not (derived)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from .circuit import ESTER, Foundry

LATER = "2025-06-10"


@pytest.fixture
def foundry(tmp_path: Path) -> Iterator[Foundry]:
    """A foundry with an ester circuit beside; everything counted at the end of 1 June."""
    made = Foundry(tmp_path, ESTER)
    made.quiet_start()
    made.count("2025-06-01", silo_e=9000, heap_e=5000, reclaimer_e=0, tank_resin_e=900, tank_slow=500, tank_fast=500)
    yield made
    made.shop.close()


def texts(foundry: Foundry, code: str, at: str = LATER) -> list[str]:
    """Texts of one code on the attention list."""
    return [flag.text for flag in foundry.shop.attention(at).flags if flag.code == code]


# -- moulds ---------------------------------------------------------------------------------------------------------


def test_a_mould_ended_with_nothing_in_it(foundry: Foundry) -> None:
    """A number chalked badly; a mix told late fills it, and the flag goes."""
    foundry.tell("knock_out", "2025-06-03 07:00", moulds=["17"], to="heap", id="ko")
    assert texts(foundry, "ended_empty") == [
        "mould 17 was ended on 3 Jun 2025 07:00 (knock out ko) with nothing booked into it: a mix is missing, or the "
        "number is wrong"
    ]
    foundry.mix("2025-06-02 08:00", "17", 10, 90, recorded="2025-06-03 08:00")
    assert texts(foundry, "ended_empty") == []


def test_a_number_used_again(foundry: Foundry) -> None:
    """Filled 6.5 h after its knock-out is raised, 49 h after (limit 48 h) is not."""
    foundry.mix("2025-06-02 08:00", "1", 10, 90)
    foundry.tell("knock_out", "2025-06-03 07:00", moulds=["1"], to="heap")
    foundry.mix("2025-06-03 13:30", "1", 10, 90)
    assert texts(foundry, "number_used_again") == [
        "mould 1 was filled on 3 Jun 2025 13:30, 6.5 h after it was ended at 3 Jun 2025 07:00: is the number used "
        "again, or a clock wrong?"
    ]


def test_a_number_used_again_much_later(foundry: Foundry) -> None:
    """After two days a number may come round."""
    foundry.mix("2025-06-02 08:00", "1", 10, 90)
    foundry.tell("knock_out", "2025-06-03 07:00", moulds=["1"], to="heap")
    foundry.mix("2025-06-05 08:00", "1", 10, 90)
    assert texts(foundry, "number_used_again") == []


def test_a_mould_standing_too_long(foundry: Foundry) -> None:
    """Filled on Monday at 08:00; 72 h are over on Thursday at 08:00."""
    foundry.mix("2025-06-02 08:00", "1", 10, 90)
    assert texts(foundry, "standing_too_long", "2025-06-05 08:00") == []
    assert texts(foundry, "standing_too_long", "2025-06-05 09:00") == [
        "mould 1 stands since 2 Jun 2025 08:00, 73 h (limit 72 h): was its knock-out recorded?"
    ]
    foundry.tell("knock_out", "2025-06-05 08:30", moulds=["1"], to="heap")
    assert texts(foundry, "standing_too_long", "2025-06-05 09:00") == []


def ester(
    foundry: Foundry, at: str, mould: str, slow: float = 0.2, silo: str = "silo_e", back: float = 80, **more: Any
) -> None:
    """An ester mix: 100 kg of sand, 1.6 kg of resin, 25 % ester unless said."""
    drawn = {"silo_new": 100 - back, silo: back, "tank_resin_e": 1.6, "tank_slow": slow, "tank_fast": 0.2}
    streams = [{"place": place, "mass_kg": mass} for place, mass in drawn.items()]
    foundry.mix(at, mould, 0, 0, sender="m2", mixer="m2", binder_system="ester", streams=streams, **more)


def test_a_mould_with_two_families(foundry: Foundry) -> None:
    """Furan facing, ester backing; after a knock-out between them it is two moulds."""
    foundry.mix("2025-06-02 08:00", "1", 10, 90)
    ester(foundry, "2025-06-02 08:10", "1")
    ester(foundry, "2025-06-02 08:20", "2")
    assert texts(foundry, "two_families", "2025-06-02") == [
        "mould 1 holds sand of alkaline phenolic ester and furan acid: one upsets the cure of the other"
    ]


# -- sand, mixers, laboratory ---------------------------------------------------------------------------------------


def test_ester_away_from_the_set_up(foundry: Foundry) -> None:
    """0.2 + 0.15 kg on 1.6 kg of resin are 21.9 % where 25 % is usual: 12.5 % below, beyond the tolerance of 4 %."""
    for minute in range(25):
        ester(foundry, f"2025-06-02 08:{minute:02}", f"e{minute}", slow=0.15)
    assert texts(foundry, "dose_off") == [
        "the latest 25 mixes of Ester on Ester mixer had 21.9 % catalyst on resin, 12.5 % below the 25.0 % of the "
        "set-up (tolerance 4 %): weigh a timed catch of each pump"
    ]


def test_ester_as_set_up(foundry: Foundry) -> None:
    """25 % is right, and so few mixes as 19 say nothing."""
    for minute in range(25):
        ester(foundry, f"2025-06-02 08:{minute:02}", f"e{minute}")
    for minute in range(19):
        foundry.mix(f"2025-06-02 09:{minute:02}", f"f{minute}", 10, 90, acid=0.9)
    assert texts(foundry, "dose_off") == []


def test_acid_outside_its_window(foundry: Foundry) -> None:
    """0.55 kg on 1 kg of resin: 55 % is outside 20 to 50 %."""
    for minute in range(20):
        foundry.mix(f"2025-06-02 09:{minute:02}", f"f{minute}", 10, 90, acid=0.55)
    assert texts(foundry, "dose_off") == [
        "the latest 20 mixes of Furan on Mixer had 55.0 % catalyst on resin, outside its window of 20 to 50 %: "
        "weigh a timed catch of each pump"
    ]


@pytest.mark.parametrize(("acid", "raised"), [(0.34, False), (0.32, True)])
def test_acid_away_from_the_mixers_own_habit(foundry: Foundry, acid: float, raised: bool) -> None:
    """A habit of 35 % in 100 mixes that never varied: 34 % is 2.9 % off, 32 % is 8.6 % off (tolerance 4 %)."""
    for number in range(150):
        mass = 0.35 if number < 100 else acid
        at = f"2025-06-{2 + number // 50:02} {8 + number % 50 // 10:02}:{number % 10:02}"
        foundry.mix(at, f"f{number}", 10, 90, acid=mass, sand_temp_c=20 + number % 2)
    found = texts(foundry, "dose_off")
    assert len(found) == raised
    assert all("32.0 % catalyst on resin, 8.6 % below the 35.0 % usual for it at this sand" in text for text in found)


def test_reclaimed_share_drifts(foundry: Foundry) -> None:
    """70 of 100 kg where 85 % is set: 15 points; 80 % would be within ten."""
    foundry.mix("2025-06-08 08:00", "1", 20, 80)
    assert texts(foundry, "share_drift") == []
    foundry.mix("2025-06-09 08:00", "2", 400, 600)  # together 680 of 1,100: 62 %
    assert texts(foundry, "share_drift") == [
        "mixes of Furan held 62 % reclaimed sand over the last 14 days, 85 % by the set-up: a gate or silo running "
        "out, or meant?"
    ]


def test_mixes_are_held_against_the_settings_of_their_purpose(tmp_path: Path) -> None:
    """Facing with 60 % reclaimed sand beside whole moulds with 85 % is as set up; so is more acid in cores alone.

    Means: 72.5 % reclaimed of 72.5; 45.5 % acid within 35 to 55 (half of 20 + 50 and of 50 + 60); 21.9 % ester in
    cores where 20 is stated is 9.4 % above, though the system has 25 (derived).
    """
    own = {
        "furan": {
            "facing": {"reclaimed_share": 0.6},
            "core": {"reclaimed_share": 0.6, "catalyst_pct": 55, "catalyst_window_pct": [50, 60]},
        },
        "ester": {"core": {"catalyst_pct": 20}},
    }
    foundry = Foundry(tmp_path, ESTER, {"binder_systems": own})
    for number in range(10):
        foundry.mix(f"2025-06-08 08:{number:02}", f"w{number}", 15, 85)
        foundry.mix(f"2025-06-08 09:{number:02}", f"c{number}", 40, 60, acid=0.56, purpose="core")
    assert texts(foundry, "share_drift") + texts(foundry, "dose_off") == []
    for number in range(20):
        foundry.mix(f"2025-06-08 10:{number:02}", f"d{number}", 15, 85, acid=0.45, purpose="core")
        ester(foundry, f"2025-06-08 11:{number:02}", f"e{number}", slow=0.15, purpose="core")
    assert texts(foundry, "share_drift") == [
        "mixes of Furan held 79 % reclaimed sand over the last 14 days, 66 % by the set-up: a gate or silo running "
        "out, or meant?"
    ]  # (10 · 85 + 10 · 60 + 20 · 85) / 40 = 78.75 against (10 · 85 + 30 · 60) / 40 = 66.25
    assert texts(foundry, "dose_off", "2025-06-08 11:30") == [
        "the latest 20 mixes of Ester on Ester mixer had 21.9 % catalyst on resin, 9.4 % above the 20.0 % of the "
        "set-up (tolerance 4 %): weigh a timed catch of each pump"
    ]
    foundry.shop.close()


def test_sand_of_another_family(foundry: Foundry) -> None:
    """An ester mould knocked out on the furan heap, and furan sand drawn into an ester mix."""
    ester(foundry, "2025-06-02 08:00", "1")
    foundry.tell("knock_out", "2025-06-03 08:00", moulds=["1"], to="heap_e")
    assert texts(foundry, "family_crossing") == []
    ester(foundry, "2025-06-04 08:00", "2")
    foundry.tell("knock_out", "2025-06-05 08:00", moulds=["2"], to="heap")
    ester(foundry, "2025-06-06 08:00", "3", silo="silo_back", back=70)
    end = (
        "within 35 days: residue of another binder family upsets the cure; test a piece, and find out how it got there"
    )
    assert texts(foundry, "family_crossing") == [f"80.0 kg of Reclaimed ester sand went into Heap {end}"]
    drawn = f"70.0 kg of Reclaimed sand went into mixes of Ester on Ester mixer {end}"
    assert texts(foundry, "sand_of_other_family") == [drawn]


def test_a_test_outside_its_limit(foundry: Foundry) -> None:
    """Loss on ignition of 3.4 % where 3.0 is the most; the next test within limits ends it."""
    weighings = {"crucible_g": 20, "before_g": 30}
    sample = {"place": "silo_back"}
    for at, after_g, name in (("2025-06-03 09:00", 29.66, "t1"), ("2025-06-04 09:00", 29.80, "t2")):
        readings = weighings | {"after_g": after_g}
        foundry.tell("sand_test", at, test="loss_on_ignition", sample=sample, readings=readings, id=name)
    assert texts(foundry, "test_outside_limits", "2025-06-03") == [
        "loi % of Reclaimed silo was 3.40 on 3 Jun 2025, limit at most 3 (test t1): test again, and hold the sand if "
        "it stays so"
    ]
    assert texts(foundry, "test_outside_limits") == []


def test_a_test_whose_readings_make_no_result(foundry: Foundry) -> None:
    """A crucible that weighs more than itself with sand."""
    readings = {"crucible_g": 20, "before_g": 30}
    foundry.tell("sand_test", "2025-06-03 09:00", test="loss_on_ignition", readings=readings, id="t1")
    assert texts(foundry, "test_not_used") == ["test t1 of 3 Jun 2025 gives no result: reading after_g is missing"]


CALIBRATED = {"mixers": {"m1": {"calibrate_every_days": 7}}}


def calibrate(foundry: Foundry, at: str, mass_kg: float) -> None:
    """One catch of half a minute of the catalyst."""
    catches = [{"seconds": 30, "mass_kg": mass_kg}]
    foundry.tell("calibration", at, mixer="m1", stream="catalyst", setting=35, catches=catches)


def test_calibration_overdue(tmp_path: Path) -> None:
    """Weekly from 2 June: running on the ninth day after is raised, standing still is not."""
    foundry = Foundry(tmp_path, CALIBRATED)
    foundry.quiet_start()
    calibrate(foundry, "2025-06-02 07:00", 0.1)
    foundry.mix("2025-06-09 08:00", "1", 10, 90)
    assert texts(foundry, "calibration_overdue", "2025-06-12") == []
    foundry.mix("2025-06-11 08:00", "2", 10, 90)
    assert texts(foundry, "calibration_overdue", "2025-06-12") == [
        "Mixer ran on 11 Jun 2025, and was last calibrated on 2 Jun 2025; it is due every 7 days: weigh three timed "
        "catches of each stream"
    ]


def test_a_mixer_never_calibrated(tmp_path: Path) -> None:
    """It ran, and there is no calibration."""
    foundry = Foundry(tmp_path, CALIBRATED)
    foundry.quiet_start()
    assert texts(foundry, "calibration_overdue") == []
    foundry.mix("2025-06-09 08:00", "1", 10, 90)
    assert texts(foundry, "calibration_overdue") == [
        "Mixer ran on 9 Jun 2025 and no calibration of it is recorded within 180 days: weigh three timed catches of "
        "each stream"
    ]


@pytest.mark.parametrize(("mass_kg", "raised"), [(0.097, False), (0.092, True)])
def test_a_pump_drifts_between_calibrations(foundry: Foundry, mass_kg: float, raised: bool) -> None:
    """0.1 kg in half a minute is 0.2 kg/min, three times; 0.184 is 8 % below, 0.194 is 3 % (tolerance 4 %)."""
    for day in (2, 3, 4):
        calibrate(foundry, f"2025-06-0{day} 07:00", 0.1)
    calibrate(foundry, "2025-06-05 07:00", mass_kg)
    wanted = [
        "catalyst of Mixer at setting 35 gave 0.184 kg/min on 5 Jun 2025, 8.0 % below the 0.2 kg/min of the 3 "
        "calibrations before (tolerance 4 %): look at the pump, then set it by the new figure"
    ]
    assert texts(foundry, "calibration_drift") == (wanted if raised else [])


def test_a_lot_past_its_last_day(foundry: Foundry) -> None:
    """First in, first out: of 700 kg left 300 are of the last lot, so 400 kg may be of the lot of 600 before it."""
    foundry.tell("delivery", "2025-06-02 08:00", place="tank_resin", mass_kg=600, lot="R1", use_by="2025-06-08")
    foundry.tell("delivery", "2025-06-03 08:00", place="tank_resin", mass_kg=300, lot="R2", made_on="2025-06-01")
    foundry.count("2025-06-04", tank_resin=700)
    assert texts(foundry, "lot_past_use_by", "2025-06-08") == []
    assert texts(foundry, "lot_past_use_by") == [
        "up to 400 kg of lot R1 may still be in Resin tank; its last day was 2025-06-08: test it before use"
    ]
    # R2 keeps 180 days from 1 June: until 28 November
    assert len(texts(foundry, "lot_past_use_by", "2025-11-28")) == 1
    assert len(texts(foundry, "lot_past_use_by", "2025-11-29")) == 2


def test_as_known_before_it_was_told(foundry: Foundry) -> None:
    """As known on 3 June, the record of 4 June is not on the list."""
    foundry.tell("hold", "2025-06-04 08:00", mould="7", reason="drawing changed")
    assert foundry.shop.attention(LATER, known_on="2025-06-03").flags == ()
