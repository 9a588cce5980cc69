"""Numbers in text with the decimal sign of the shop, so that 98,610 kg is not read as 98 kg and a little."""

from __future__ import annotations

import re
from collections.abc import Iterable

# A number by itself: no part of a date, a time, an id, a path or a version.
_NUMBER = re.compile(r"(?<![\w.,:/])(?<!\w-)([0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(\.[0-9]+)?(?![\w:/]|[.,\-][0-9])")
_SPACE = "\u00a0"


def written(lines: Iterable[str], decimal: str) -> list[str]:
    """Lines with numbers written the shop's way: with a decimal comma, thousands are set apart by a space.

    >>> written(["98,610 kg on 2025-01-31 09:00, 24.31 t"], ",")
    ['98\\xa0610 kg on 2025-01-31 09:00, 24,31 t']
    """
    if decimal == ".":
        return list(lines)
    return [_NUMBER.sub(_number, line) for line in lines]


def _number(match: re.Match[str]) -> str:
    whole, fraction = match.groups()
    return whole.replace(",", _SPACE) + (fraction or "").replace(".", ",")
