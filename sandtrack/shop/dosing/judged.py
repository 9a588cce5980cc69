"""How strip is judged: by hand, or by which reading of which gauge; a law is of one of these, never of two mixed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from sandtrack.plant.tables import Reference
from sandtrack.shop.picture import Seen

HOW = {
    "hand": "by hand",
    "hardness": "by a hardness gauge",
    "strength": "by strength",
    "late_moulding_loss": "by what strength is lost when moulded late",
}


@dataclass(frozen=True)
class Judged:
    """A definition of strip, with the gauge's reading that counts and its scale where they are said."""

    definition: str
    reading: float | None = None
    scale: str = ""

    @classmethod
    def by(cls, reference: Reference) -> Judged:
        """As the reference's strip time is."""
        return cls(reference.definition, reference.reading, reference.scale)

    @classmethod
    def of(cls, check: Seen) -> Judged:
        """As a strip check was."""
        said = check.values
        return cls(said["definition"], said.get("reading"), said.get("scale", ""))

    @property
    def gauge(self) -> str:
        """Reading and scale as they are said, in brackets; else nothing."""
        said = [f"{self.reading:g}"] if self.reading is not None else []
        said += [self.scale] if self.scale else []
        return f" ({' '.join(said)})" if said else ""

    @property
    def words(self) -> str:
        """How strip is judged, for people."""
        return HOW[self.definition] + self.gauge

    def agrees(self, other: Judged) -> bool:
        """Whether nothing that both say is different."""
        return (
            self.definition == other.definition
            and (self.reading == other.reading or None in (self.reading, other.reading))
            and (self.scale.casefold() == other.scale.casefold() or "" in (self.scale, other.scale))
        )

    def with_what_is_usual(self, among: Iterable[Judged]) -> Judged:
        """What is not said filled in by what most checks say, so that no two gauges are mixed under it."""
        whole = self
        for other, _ in Counter(among).most_common():
            if whole.agrees(other):
                reading = other.reading if whole.reading is None else whole.reading
                whole = Judged(self.definition, reading, whole.scale or other.scale)
        return whole
