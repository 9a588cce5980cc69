"""The six binder families with their usual windows. Defaults: a shop's own data sheets go before them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from sandtrack.errors import FieldError
from sandtrack.trade.family import Family, Limit, Note, Tag, Window, WorkShare

GJUTERIHANDBOKEN = "Gjuterihandboken ch. 9.4"
COLD_SET_TABLE = "table of cold-setting binders, Portuguese handbook copy"
FERROUS_HANDBOOK = "a ferrous foundry handbook (2000)"
ASM_15 = "ASM Handbook vol. 15 Casting (1988)"
FMT_2014 = "Foundry Management & Technology, Jan 2014"
CAREY_LOTT = "Carey & Lott, Foundry Management & Technology, July 1995"
MODERN_CASTING_2012 = "Modern Casting, Oct 2012"
SHOP_PRACTICE = "shop practice"


def _window(low: float, high: float, unit: str, tag: Tag, source: str, note: str = "") -> Window:
    return Window(low=low, high=high, unit=unit, tag=tag, source=source, note=note)


def _note(code: str, text: str, tag: Tag, source: str) -> Note:
    return Note(code=code, text=text, tag=tag, source=source)


_HALF = f"half in {MODERN_CASTING_2012}, with a span round it"
_COLD = _window(10, 15, "degC", "practice", SHOP_PRACTICE)
_HOT = _window(35, 40, "degC", "practice", SHOP_PRACTICE)
_GENERAL_SAND = _window(20, 30, "degC", "practice", SHOP_PRACTICE, "windows differ")
_NORDIC_SAND = _window(15, 25, "degC", "source", GJUTERIHANDBOKEN, "others say 20 to 30")

_ACID_WINDOW = _note(
    "stay_in_window",
    "Too little acid never cures through, too much gives a burnt, friable bond. Outside the window use another "
    "strength of acid, or warm or cool the sand.",
    "practice",
    SHOP_PRACTICE,
)
_GRADE = _note(
    "grade_not_amount",
    "Speed is set by the grade of ester only: more of it does not strip sooner, and off its window it harms the bond.",
    "source",
    GJUTERIHANDBOKEN,
)
_DRY_STORE = _note("humidity_in_store", "Humid air weakens these moulds in store.", "practice", SHOP_PRACTICE)
_DRY_SAND = Limit(
    value=0.2,
    unit="% of sand",
    tag="practice",
    source=SHOP_PRACTICE,
    reached_is_kept=False,
)
_USUAL_MOISTURE = Limit(
    value=0.2,
    unit="% of sand",
    tag="practice",
    source="usual for self-setting sand: no limit of this family is known",
)

_FURAN = Family(
    key="furan_acid",
    name="furan, acid-cured",
    lever="amount",
    lever_liquid="catalyst",
    binder="resin",
    resin_window_pct=_window(0.8, 1.2, "% of sand", "source", GJUTERIHANDBOKEN, f"0.9 to 1.2 in {CAREY_LOTT}"),
    co_reactant="acid",
    co_reactant_base="resin as delivered",
    co_reactant_window_pct=_window(
        20, 50, "% of resin as delivered", "source", GJUTERIHANDBOKEN, f"20 to 40 in {CAREY_LOTT}"
    ),
    sand_window_c=_NORDIC_SAND,
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=_USUAL_MOISTURE,
    work_share=WorkShare(low=0.3, usual=0.45, high=0.6, tag="practice", source=SHOP_PRACTICE),
    hazards=("acid", "vapour"),
    notes=(_ACID_WINDOW, _note("humidity_slows", "Humid air slows the cure of furan.", "practice", SHOP_PRACTICE)),
)

_PHENOLIC = Family(
    key="phenolic_acid",
    name="phenolic, acid-cured",
    lever="amount",
    lever_liquid="catalyst",
    binder="resin",
    resin_window_pct=_window(0.8, 1.2, "% of sand", "source", COLD_SET_TABLE),
    co_reactant="strong sulphonic acid",
    co_reactant_base="resin as delivered",
    co_reactant_window_pct=_window(30, 55, "% of resin as delivered", "practice", SHOP_PRACTICE),
    sand_window_c=_GENERAL_SAND,
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=_USUAL_MOISTURE,
    work_share=WorkShare(low=0.3, usual=0.5, high=0.6, tag="practice", source="taken from furan, widened"),
    hazards=("acid", "vapour"),
    notes=(
        _ACID_WINDOW,
        _note("strong_acid_only", "Cures with strong sulphonic acids only.", "practice", SHOP_PRACTICE),
    ),
)

_ALKALINE = Family(
    key="alkaline_phenolic_ester",
    name="alkaline phenolic, ester-cured",
    lever="grade",
    lever_liquid="hardener",
    binder="resin",
    resin_window_pct=_window(1.2, 1.75, "% of sand", "memory", FERROUS_HANDBOOK),
    co_reactant="ester",
    co_reactant_base="resin as delivered",
    co_reactant_window_pct=_window(18, 30, "% of resin as delivered", "memory", FERROUS_HANDBOOK, "20 to 30 is usual"),
    sand_window_c=_NORDIC_SAND,
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=_USUAL_MOISTURE,
    work_share=WorkShare(low=0.4, usual=0.5, high=0.6, tag="practice", source=_HALF),
    hazards=("alkaline", "ester", "vapour"),
    notes=(_GRADE,),
)

_URETHANE = Family(
    key="phenolic_urethane",
    name="phenolic urethane",
    lever="amount",
    lever_liquid="catalyst",
    binder="parts 1 and 2 together",
    resin_window_pct=_window(1.0, 1.4, "% of sand", "derived", f"both parts added up, {COLD_SET_TABLE}"),
    co_reactant="amine",
    co_reactant_base="part 1",
    co_reactant_window_pct=_window(0.4, 8, "% of part 1", "memory", ASM_15),
    part_1_share=_window(0.5, 0.6, "share of parts 1 and 2", "memory", ASM_15),
    sand_window_c=_window(29, 35, "degC", "source", FMT_2014, "sand and resin; others say 20 to 30"),
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=_DRY_SAND,
    work_share=WorkShare(low=0.5, usual=0.75, high=0.9, tag="practice", source=SHOP_PRACTICE),
    hazards=("isocyanate", "flammable", "vapour"),
    notes=(_DRY_STORE,),
)

_SILICATE = Family(
    key="silicate_ester",
    name="silicate, ester-cured",
    lever="grade",
    lever_liquid="hardener",
    binder="silicate",
    resin_window_pct=_window(2.8, 4.5, "% of sand", "practice", SHOP_PRACTICE),
    co_reactant="ester",
    co_reactant_base="silicate as delivered",
    co_reactant_window_pct=_window(8, 15, "% of silicate as delivered", "practice", SHOP_PRACTICE, "8 to 12 is usual"),
    sand_window_c=_GENERAL_SAND,
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=Limit(value=0.5, unit="% of sand", tag="practice", source=SHOP_PRACTICE),
    work_share=WorkShare(low=0.4, usual=0.5, high=0.6, tag="practice", source="taken from the other ester cure"),
    hazards=("alkaline", "ester"),
    notes=(_GRADE, _DRY_STORE),
)

_ALKYD = Family(
    key="alkyd_urethane",
    name="alkyd urethane",
    lever="amount",
    lever_liquid="drier",
    binder="alkyd part",
    resin_window_pct=_window(1.5, 1.8, "% of sand", "source", COLD_SET_TABLE),
    co_reactant="isocyanate",
    co_reactant_base="alkyd part",
    co_reactant_window_pct=_window(18, 20, "% of alkyd part", "memory", ASM_15),
    drier_window_pct=_window(2, 10, "% of alkyd part", "memory", ASM_15, "moves the speed only weakly"),
    sand_window_c=_GENERAL_SAND,
    cold_c=_COLD,
    hot_c=_HOT,
    moisture_limit_pct=_DRY_SAND,
    work_share=WorkShare(low=0.5, usual=0.75, high=0.9, tag="practice", source="taken from phenolic urethane"),
    hazards=("isocyanate", "flammable", "vapour"),
    notes=(
        _DRY_STORE,
        _note(
            "weak_lever",
            "The drier moves the strip time only weakly; warmer sand does more.",
            "memory",
            ASM_15,
        ),
    ),
)

FAMILIES: Mapping[str, Family] = MappingProxyType(
    {family.key: family for family in (_FURAN, _PHENOLIC, _ALKALINE, _URETHANE, _SILICATE, _ALKYD)}
)


def family_named(family: str | Family) -> Family:
    """Binder family by its key, or the family itself. [-]

    Parameters
    ----------
    family : str or Family
        Key such as "furan_acid", or a family with a shop's own windows. [-]

    Returns
    -------
    Family
        The family. [-]

    Raises
    ------
    FieldError
        No family has this key.

    Source
    ------
    practice: the six families told apart here, by their chemistry.

    Examples
    --------
    >>> family_named("silicate_ester").lever
    'grade'
    """
    if isinstance(family, Family):
        return family
    if family not in FAMILIES:
        raise FieldError(field="family", value=family, reason="is not known", accepted=", ".join(FAMILIES))
    return FAMILIES[family]
