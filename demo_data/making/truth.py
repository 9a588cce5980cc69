"""The truth behind the data: seasons, cure laws, charts, losses. README.md tells the same in words."""

from __future__ import annotations

import math
from datetime import date, datetime

SEED = 20250101
GAS_J_MOL_K = 8.314462618
ZERO_C_K = 273.15

# Strip time, judged by hand, at 20 °C; noise is the standard deviation of ln(time) from mould to mould.
FURAN = {"strip_min": 52.0, "catalyst_pct": 35.0, "activation_j_mol": 46_000.0, "exponent": 1.3}
ESTER = {"strip_min": 58.0, "fast_share": 0.5, "activation_j_mol": 55_000.0, "slope": 1.6}
STRIP_NOISE_LN = 0.10

RESIN_PCT = {"furan": 1.08, "ester": 1.60}  # on sand
ESTER_PCT = 25.0  # on resin, both grades together
RECLAIMED_SHARE = {"whole": 0.81, "facing": 0.60, "backing": 0.87, "core": 0.60}
FLOW_NOISE = 0.008  # standard deviation of a stream's rate from mix to mix, as a share

CARRIED_OUT_SHARE = 0.016  # of a mould's sand, leaves with the castings
DUST_SHARE = {"furan": 0.080, "ester": 0.088}  # of what a reclaimer puts out
LUMPS_SHARE = {"furan": 0.045, "ester": 0.050}

# True bulk density and liquid density; plant.toml says 1600, 1500, 1500 for the sands.
SAND_DENSITY = {"silo_new": 1580.0, "silo_f": 1515.0, "silo_e": 1490.0}
# How far off a count may be: two standard deviations, never more.
COUNT_ERROR_PCT = {"silo": 1.5, "tank": 1.0, "heap": 4.0, "skip": 5.0, "reclaimer": 5.0, "core_store": 2.0}

DRIFT_FIRST, DRIFT_LAST, DRIFT_END_PCT = date(2025, 5, 12), date(2025, 5, 23), -12.0


def season_c(day: date) -> float:
    """Mean temperature of the mixed sand on a day: 11.5 °C at the end of January, 26.5 °C at the end of July."""
    return 19.0 - 7.5 * math.cos(2.0 * math.pi * (day.timetuple().tm_yday - 25) / 365.0)


def hour_c(at: datetime) -> float:
    """How much the sand is off its day's mean: cool in the morning, cooler on Mondays, warm by the afternoon."""
    hour = at.hour + at.minute / 60.0
    return 0.4 * (hour - 11.0) - (1.2 if at.weekday() == 0 else 0.0)


def catalyst_chart_pct(sand_c: float) -> float:
    """The shop's own chart on the wall: acid, % of resin, by temperature of the sand."""
    for below_c, acid_pct in ((12, 42.0), (15, 40.0), (18, 36.0), (21, 33.0), (24, 30.0), (27, 28.0)):
        if sand_c < below_c:
            return acid_pct
    return 26.0


def fast_share_chart(sand_c: float) -> float:
    """The same for ester: share of the fast grade."""
    for below_c, fast_share in ((12, 1.0), (15, 0.8), (18, 0.6), (21, 0.4), (25, 0.2)):
        if sand_c < below_c:
            return fast_share
    return 0.0


def strip_time_min(system: str, sand_c: float, setting: float) -> float:
    """The true median strip time; `setting` is acid in % of resin, or the share of the fast grade."""
    warmth = 1.0 / (sand_c + ZERO_C_K) - 1.0 / (20.0 + ZERO_C_K)
    if system == "furan":
        lever = -FURAN["exponent"] * math.log(setting / FURAN["catalyst_pct"])
        return FURAN["strip_min"] * math.exp(FURAN["activation_j_mol"] / GAS_J_MOL_K * warmth + lever)
    lever = -ESTER["slope"] * (setting - ESTER["fast_share"])
    return ESTER["strip_min"] * math.exp(ESTER["activation_j_mol"] / GAS_J_MOL_K * warmth + lever)


def drift_factor(mixer: str, day: date) -> float:
    """What the acid pump of m2 delivers of what is set: slides in two weeks to 12 % less, then is put right."""
    if mixer != "m2" or not DRIFT_FIRST <= day <= DRIFT_LAST:
        return 1.0
    through = (day - DRIFT_FIRST).days / (DRIFT_LAST - DRIFT_FIRST).days
    return 1.0 + DRIFT_END_PCT / 100.0 * through


def loss_on_ignition_pct(system: str, day: date) -> float:
    """Of the reclaimed sand, at 982 °C: creeps up to its steady value as the year goes."""
    passed = (day - date(2025, 1, 1)).days
    if system == "furan":
        return 1.72 - 0.32 * math.exp(-passed / 60.0)
    return 1.20 - 0.15 * math.exp(-passed / 60.0)


def acid_demand_ml(place: str) -> float:
    """Of a 50 g sample: new sand takes acid, furan sand brings some along."""
    return {"silo_new": 3.1, "silo_f": -1.4}[place]
