"""Numbers in text by the shop's decimal sign; dates, times, ids and lists stay what they are."""

from __future__ import annotations

import pytest

from sandtrack.report.numerals import written


@pytest.mark.parametrize(
    ("plain", "comma"),
    [
        ("24.31 t", "24,31 t"),
        ("98,610 kg", "98\u00a0610 kg"),
        ("1,234,567.8 kg", "1\u00a0234\u00a0567,8 kg"),
        ("55 (49.5 to 63)", "55 (49,5 to 63)"),
        ("at -3.5 °C; 0.8", "at -3,5 °C; 0,8"),
        ("2025-01-31 09:00, mould 118, 119", "2025-01-31 09:00, mould 118, 119"),
        ("m-1.5/2 v1.2.3 25d212 12:30", "m-1.5/2 v1.2.3 25d212 12:30"),
    ],
)
def test_numbers_by_the_decimal_sign(plain: str, comma: str) -> None:
    """By hand: ISO 80000-1, 7.3: a comma or a point before the decimals, a space between groups of three."""
    assert written([plain], ",") == [comma]
    assert written([plain], ".") == [plain]
