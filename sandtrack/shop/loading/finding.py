"""What there is to load in files and folders."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from sandtrack.records import KINDS
from sandtrack.records.naming import plain
from sandtrack.shop.loading.csv_files import CsvSource
from sandtrack.shop.loading.sources import FileFault, Problem, Source
from sandtrack.shop.loading.workbooks import SheetSource, sheets

_TABLES = (".csv", ".xlsx", ".xls")


@dataclass
class Files:
    """What paths hold."""

    plants: list[Path] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    def complain(self, where: str | Path, reason: str, accepted: str = "", code: str = "not_readable") -> None:
        """A problem of a whole file or folder."""
        self.problems.append(Problem(str(where), None, "", None, reason, accepted, code))


def find(paths: Iterable[str | Path], *, line_breaks: bool = False) -> Files:
    """Set-ups and tables in files and folders, in the order of loading: by kind, then by name."""
    files = Files()
    for path in map(Path, paths):
        try:
            if path.is_dir():
                _look_through(path, files)
            elif path.is_file():
                _look(path, files)
            elif path.exists():
                files.complain(path, "is a device, not a file", "a file or a folder")
            else:
                files.complain(path, "is not there", "a file or a folder")
        except OSError as problem:
            files.complain(path, f"cannot be read ({problem.strerror})", "a file or a folder that you may read")
    order = list(KINDS)
    files.sources.sort(key=lambda source: order.index(source.kind))
    for source in files.sources:
        source.line_breaks = line_breaks
    return files


def _look_through(folder: Path, files: Files) -> None:
    wanted = False
    for entry in sorted(folder.iterdir()):
        if entry.name.startswith((".", "~")):
            continue
        if entry.suffix.lower() not in _TABLES and not _is_plant(entry):
            files.skipped.append(str(entry))
            continue
        wanted = True
        if entry.is_file():
            _look(entry, files)
        else:
            files.complain(entry, f"is a {'folder' if entry.is_dir() else 'device'}, not a file", "a file")
    if not wanted:
        files.complain(folder, "holds nothing to load", "plant*.toml, KIND*.csv, KIND*.xlsx")


def _is_plant(path: Path) -> bool:
    return path.name.lower().startswith("plant") and path.suffix.lower() == ".toml"


def _look(path: Path, files: Files) -> None:
    suffix = path.suffix.lower()
    if suffix == ".toml":
        files.plants.append(path)
    elif suffix == ".xlsx":
        try:
            _look_into(path, sheets(path), files)
        except FileFault as fault:
            files.problems.append(fault.problem(str(path)))
    elif suffix != ".csv":
        reason = "is neither CSV, .xlsx nor .toml" if suffix != ".xls" else "is in Excel's old format"
        files.complain(path, reason, "save it as .xlsx or as CSV in UTF-8", "other_format")
    elif kind := kind_of(path.stem):
        files.sources.append(CsvSource(kind, path, str(path), path.stat().st_size))
    else:
        _complain_of_name(str(path), path.stem, files)


def _look_into(path: Path, visible: dict[str, bool], files: Files) -> None:
    """The sheets of a workbook; one that nobody sees is not loaded."""
    kinds = {name: kind_of(name) for name in visible}
    own = kind_of(path.stem)
    if own and not any(kinds.values()) and kinds:
        kinds[next((name for name in visible if visible[name]), next(iter(visible)))] = own
    if not any(kinds.values()):
        _complain_of_name(str(path), path.stem, files)
    for name, kind in kinds.items():
        where = f"{path} [{name}]"
        if kind and not visible[name]:
            files.complain(where, "is a hidden sheet", "the sheet shown, or deleted", "hidden")
        elif kind:
            source = SheetSource(kind, path, where, path.stat().st_size // len(kinds))
            source.sheet = name
            files.sources.append(source)
        elif any(kinds.values()) and _near(name):
            _complain_of_name(where, name, files)
        else:
            files.skipped.append(where)


def kind_of(name: str) -> str:
    """The kind that a file or sheet is named by, KIND or KIND_anything; "" if none."""
    name = name.lower().strip()
    named = [kind for kind in KINDS if name == kind or name.startswith(f"{kind}_")]
    return max(named, key=len, default="")


def _near(name: str) -> list[str]:
    return difflib.get_close_matches(plain(name), KINDS, n=1, cutoff=0.7)


def _complain_of_name(where: str, name: str, files: Files) -> None:
    near = _near(name)
    accepted = f"did you mean {near[0]}?" if near else f"KIND or KIND_anything, where KIND is {', '.join(KINDS)}"
    files.complain(where, "is not named by a kind of record", accepted, "no_kind")
