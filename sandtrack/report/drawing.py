"""How every drawing of the reports is made and kept: black on white, letters that stay letters, no display needed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from matplotlib import rc_context
from matplotlib.figure import Figure

from sandtrack.errors import FieldError, InputErrors

KINDS = (".png", ".svg", ".pdf")
DRAWN: Any = {
    "font.family": "DejaVu Sans",  # comes with matplotlib
    "svg.fonttype": "none",
    "svg.hashsalt": "sandtrack",
    "pdf.fonttype": 42,
    "hatch.linewidth": 0.6,
    "axes.unicode_minus": True,
}


def save(figure: Figure, path: str | Path, *, dpi: int = 150) -> Path:
    """Write a figure by the file's ending: .png, .svg or .pdf; raises InputErrors for another."""
    where = Path(path)
    kind = where.suffix.lower()
    if kind not in KINDS:
        accepted = f"a name that ends in {', '.join(KINDS)}"
        problem = FieldError(field="picture", value=str(path), reason="is no kind of picture", accepted=accepted)
        raise InputErrors([problem], what="the command")
    dated: Mapping[str, Any] = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}, ".png": {}}[kind]
    with rc_context(DRAWN):
        figure.savefig(where, format=kind[1:], dpi=dpi, metadata=dict(dated))
    return where
