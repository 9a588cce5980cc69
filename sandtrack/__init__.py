"""sandtrack: stock, dosing, strip times and reclaim of self-setting moulding sand.

>>> import sandtrack
>>> sandtrack.Shop  # doctest: +ELLIPSIS
<class 'sandtrack.shop...Shop'>
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sandtrack.shop import Shop

__all__ = ["Shop", "__version__"]

try:
    __version__ = version("sandtrack")
except PackageNotFoundError:  # run from a checkout that is not installed
    __version__ = "0"


def __getattr__(name: str) -> Any:
    # Importing sandtrack is quick: the shop, with all it needs, loads when it is first asked for.
    if name == "Shop":
        from sandtrack.shop import Shop

        return Shop
    raise AttributeError(f"module 'sandtrack' has no attribute {name!r}")
