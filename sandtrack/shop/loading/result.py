"""What a load did: its files, its lines, what is wrong with them, and what they moved."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from sandtrack.ledger import Head
from sandtrack.shop.answer import Flag
from sandtrack.shop.loading.sources import Problem

PROBLEMS_KEPT = 1_000
DANGERS_SHOWN = 10


class MaterialMoved(NamedTuple):
    """Mass of one material that new records brought into places of the shop, took out, and moved between them."""

    material: str
    into_kg: float
    out_kg: float
    between_kg: float


@dataclass
class FileResult:
    """What became of the lines of one file or sheet."""

    file: str
    kind: str
    lines: int = 0
    new: int = 0
    known: int = 0
    refused: int = 0


@dataclass
class LoadResult:
    """What a load did."""

    files: list[FileResult] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    """The first thousand; `problem_count` counts all."""
    problem_count: int = 0
    first_at: int | None = None
    last_at: int | None = None
    """Span of `at` over the good lines, counts and set-ups aside. [µs since 1970, UTC]"""
    head: Head | None = None
    skipped: list[str] = field(default_factory=list)
    rejects: list[Path] = field(default_factory=list)
    dangers: list[Flag] = field(default_factory=list)
    """Dangers that the new records make or complete: one for each code and subject, DANGERS_SHOWN of a code."""
    danger_counts: dict[str, int] = field(default_factory=dict)
    """How many there are, by code."""
    ahead: int = 0
    """Good lines that are dated in the future."""
    last_ahead: int | None = None
    """The latest of them. [µs since 1970, UTC]"""
    moved: list[MaterialMoved] = field(default_factory=list)
    """What the new records brought into places and took out of them, by material."""

    def warn(self, danger: Flag) -> None:
        """Count a danger; keep the first of each subject, unless there are too many of its code."""
        self.danger_counts[danger.code] = self.danger_counts.get(danger.code, 0) + 1
        alike = [kept.subject for kept in self.dangers if kept.code == danger.code]
        if len(alike) < DANGERS_SHOWN and danger.subject not in alike:
            self.dangers.append(danger)

    def total(self, what: str) -> int:
        """Sum of lines, new, known or refused over all files."""
        return sum(getattr(file, what) for file in self.files)

    @property
    def lines(self) -> int:
        return self.total("lines")

    @property
    def new(self) -> int:
        return self.total("new")

    @property
    def known(self) -> int:
        return self.total("known")

    @property
    def refused(self) -> int:
        return self.total("refused")

    def complain(self, problem: Problem) -> None:
        """Count a problem; keep it unless there are too many."""
        self.problem_count += 1
        if len(self.problems) < PROBLEMS_KEPT:
            self.problems.append(problem)

    def future(self, at: int) -> None:
        """Count a line that is dated in the future."""
        self.ahead += 1
        self.last_ahead = at if self.last_ahead is None else max(self.last_ahead, at)

    def span(self, at: int | None) -> None:
        """Widen the span by the time of a good line."""
        if at is not None:
            self.first_at = at if self.first_at is None else min(self.first_at, at)
            self.last_at = at if self.last_at is None else max(self.last_at, at)
