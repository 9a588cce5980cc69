"""What people call a thing, and its key: the one a name means, or the nearest known one to suggest."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping

_SIMILAR = 0.6


def plain(word: str) -> str:
    """A name without what people write in different ways: capital letters, blanks, hyphens, underscores.

    >>> plain("Silo  1"), plain("mixed-sand")
    ('silo_1', 'mixed_sand')
    """
    return re.sub(r"[\s_\-]+", "_", word.strip()).casefold()


def meant(word: str, names: Iterable[tuple[str, str]]) -> frozenset[str]:
    """Keys that a word means, of (key, what people call it): the key itself, else those whose name it is."""
    listed = list(names)
    if any(word == key for key, _ in listed):
        return frozenset({word})
    wanted = plain(word)
    return frozenset(key for key, label in listed if wanted in (key, plain(label)))


def suggested(word: object, names: Mapping[str, str], *, start: str = "") -> str:
    """What to write instead of a name that is not known: the nearest one, and all there are.

    >>> suggested("silo_nwe", {"silo_new": "New sand silo", "heap": "Heap"})
    'did you mean silo_new (New sand silo)? Known are heap, silo_new'
    """
    every = ", ".join(names)
    spellings: dict[str, str] = {}
    for key, label in names.items():
        spellings.setdefault(plain(label) or key, key)
        spellings[key] = key
    near = difflib.get_close_matches(plain(str(word)), spellings, n=1, cutoff=_SIMILAR)
    if not near:
        return f"{start}{every}" if names else ""
    key = spellings[near[0]]
    return f"did you mean {key}{f' ({names[key]})' if names[key] else ''}? Known are {every}"
