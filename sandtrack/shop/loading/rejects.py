"""Lines that were refused, with the reason in front, to be corrected and loaded again."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import IO, Any

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records.flat import IGNORED
from sandtrack.shop.loading.csv_files import CsvSource
from sandtrack.shop.loading.sources import Source


class Rejects:
    """A folder with one CSV file for each source that had bad lines, named so that the folder can be loaded."""

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise InputErrors(
                [
                    FieldError(
                        field="rejects",
                        value=str(folder),
                        reason=f"cannot be made ({problem.strerror})",
                        accepted="a folder for the lines that are refused",
                    )
                ],
                what="the load",
            ) from None
        self._open: dict[int, tuple[Path, IO[str], Any, list[int]]] = {}
        self._headers: dict[int, tuple[Source, list[str]]] = {}
        self._taken: set[str] = set()

    def header(self, number: int, source: Source, header: list[str]) -> None:
        """Say what columns a source has."""
        self._headers[number] = (source, header)

    def add(self, number: int, line: int, cells: list[str], reasons: list[str]) -> None:
        """Keep a bad line of a source."""
        if number not in self._open:
            self._open[number] = self._begin(*self._headers[number])
        _, _, writer, kept = self._open[number]
        own = [cells[index] for index in kept if index < len(cells)] + cells[len(self._headers[number][1]) :]
        writer.writerow([line, " | ".join(reasons), *own])

    def _begin(self, source: Source, header: list[str]) -> tuple[Path, IO[str], Any, list[int]]:
        stem = source.path.stem if isinstance(source, CsvSource) else f"{source.kind}_{source.path.stem}"
        name, number = stem, 1
        while name.lower() in self._taken:
            number += 1
            name = f"{stem}_{number}"
        self._taken.add(name.lower())
        path = self.folder / f"{name}.csv"
        # Written beside and moved at the end: the file of the same name may be the one that is being loaded.
        file = path.with_suffix(".csv.part").open("w", encoding="utf-8", errors="surrogateescape", newline="")
        writer = csv.writer(file, delimiter=source.separator, lineterminator="\n")
        kept = [index for index, label in enumerate(header) if label.strip() not in IGNORED]
        writer.writerow([*IGNORED, *(header[index] for index in kept)])
        return path, file, writer, kept

    def close(self, *, keep: bool = True) -> list[Path]:
        """Put the files in their places, or drop them; return those that were written."""
        written: list[Path] = []
        for path, file, _, _ in self._open.values():
            file.close()
            part = path.with_suffix(".csv.part")
            if keep:
                part.replace(path)
                written.append(path)
            else:
                part.unlink()
        self._open.clear()
        return written
