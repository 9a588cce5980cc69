"""Acid demand of sand: how much acid its own alkali takes up, or gives where it carries acid."""

from __future__ import annotations

from sandtrack.trade._numbers import Numbers, given, tidy

# p-toluenesulphonic acid. source: atomic weights
TOLUENESULPHONIC_G_MOL = 172.2


def acid_demand_ml(
    *,
    sample_g: Numbers,
    acid_ml: Numbers,
    base_ml: Numbers,
    acid_normality: Numbers = 0.1,
    base_normality: Numbers = 0.1,
) -> Numbers:
    """Acid demand of a sand, in ml of 0.1 N acid for 50 g. [ml]

    Parameters
    ----------
    sample_g : float, array or Series
        Sand, above 0; 50 by the method. [g]
    acid_ml : float, array or Series
        Acid added, 0 or more; 50 by the method. [ml]
    base_ml : float, array or Series
        Base used in the titration back, 0 or more. [ml]
    acid_normality, base_normality : float, array or Series
        Strength of each, above 0. [mol/l]

    Returns
    -------
    float, array or Series
        Acid demand; negative where the sand itself carries acid. [ml]

    Raises
    ------
    FieldError
        A sample of 0 or less, or a negative volume.

    Notes
    -----
    (V_acid N_acid/0.1 - V_base N_base/0.1)·50/m. The pH of the end point (3, 4 or 5) is part of the value.

    Source
    ------
    memory: AFS Mold & Core Test Handbook, 3rd ed., test 1114.

    Examples
    --------
    >>> round(acid_demand_ml(sample_g=50, acid_ml=50, base_ml=47), 6)
    3.0
    """
    acid = given(acid_ml, field="acid_ml", at_least=0.0) * given(acid_normality, field="acid_normality", above=0.0)
    base = given(base_ml, field="base_ml", at_least=0.0) * given(base_normality, field="base_normality", above=0.0)
    return tidy((acid - base) / 0.1 * 50.0 / given(sample_g, field="sample_g", above=0.0))


def acid_taken_up_pct(
    *,
    acid_demand_ml: Numbers,
    resin_pct: Numbers,
    acid_strength_pct: Numbers = 65.0,
    acid_molar_mass_g_mol: Numbers = TOLUENESULPHONIC_G_MOL,
) -> Numbers:
    """Most of the acid catalyst that the sand's alkali could take up. [% of resin]

    Parameters
    ----------
    acid_demand_ml : float, array or Series
        Acid demand, ml of 0.1 N acid for 50 g; may be negative. [ml]
    resin_pct : float, array or Series
        Resin on sand, above 0. [% of sand]
    acid_strength_pct : float, array or Series
        Acid in the catalyst as delivered, above 0 to 100. [%]
    acid_molar_mass_g_mol : float, array or Series
        Molar mass of an acid with one proton, above 0. [g/mol]

    Returns
    -------
    float, array or Series
        Catalyst as delivered; an upper bound for a warning, never a correction. [% of resin]

    Raises
    ------
    FieldError
        A resin, strength or molar mass of 0 or less.

    Notes
    -----
    1 ml of 0.1 N acid on 50 g is 2.0 mmol H⁺ per kg sand. The test gives the acid minutes and an excess that
    the mixer does not, so less is taken up in truth.

    Source
    ------
    derived: stoichiometry.

    Examples
    --------
    >>> round(acid_taken_up_pct(acid_demand_ml=5, resin_pct=1.0), 1)
    26.5
    """
    strength = given(acid_strength_pct, field="acid_strength_pct", above=0.0, at_most=100.0) / 100
    molar = given(acid_molar_mass_g_mol, field="acid_molar_mass_g_mol", above=0.0)
    acid_g_kg = given(acid_demand_ml, field="acid_demand_ml") * 2.0e-3 * molar / strength
    return tidy(acid_g_kg / (given(resin_pct, field="resin_pct", above=0.0) * 10.0) * 100)
