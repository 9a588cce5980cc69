"""What a dangerous event is: a code, what it is about, a sentence, and the records that make it so."""

from __future__ import annotations

from typing import NamedTuple

from sandtrack.shop.answer import Flag


class Danger(NamedTuple):
    """One dangerous event. Whichever of `record` and `because` arrives last has it on its receipt."""

    code: str
    subject: str
    """Place, mould, mixer, lot or agent that it is about; events of one code and subject have one cause."""
    text: str
    record: int
    """The record that was judged."""
    at: int
    because: frozenset[int] = frozenset()
    """Other records that make it so."""
    moulds: tuple[str, ...] = ()
    """Moulds that are not to be poured for it."""

    @property
    def flag(self) -> Flag:
        """As it stands on a receipt."""
        return Flag(self.code, self.text, self.subject)

    def shown_by(self, record: int) -> bool:
        """Whether a record is part of what makes it."""
        return record == self.record or record in self.because
