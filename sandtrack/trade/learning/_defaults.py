"""The starting belief, before any strip check of the shop, and how to learn from one. All of it is editable."""

from __future__ import annotations

LN_TIME_SD = 0.54  # practice: the reference strip time is known within a factor of two, 80 % of the time
ACTIVATION_ENERGY_KJ_MOL = (50.5, 8.0)  # mean, sd; derived from J. Appl. Polym. Sci. 74 (1999) 2703 and kin
AMOUNT_EXPONENT = (1.45, 0.45)  # practice: no source found that supports it
GRADE_SLOPE = (1.4, 0.5)  # practice, a guess: all fast ester strips about four times sooner than all slow
CHECK_SD = 0.115  # practice: chance in one strip check, on ln(time)
CHECK_SD_SPREAD = 0.45  # practice: how far that chance itself is unknown, on its ln
LOT_SD = 0.07  # practice: one lot of resin or catalyst against another, on ln(time)
LOT_SD_SPREAD = 0.5  # practice: how far that spread itself is unknown, on its ln
HALF_LIFE_DAYS = 120.0  # practice: a check of last season counts about half
OUTLIER_SHARE = 0.03  # practice: a wrong mould, a wrong hour, a slip of the pen
JUMP_SD = 0.3  # practice: size of a sudden change of the law (a new recipe of the resin), on ln(time)
