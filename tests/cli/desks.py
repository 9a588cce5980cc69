"""Somebody at a keyboard in a shop's office, for tests that set a shop up from nothing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from sandtrack.cli import main


class Desk:
    """Types commands at one shop."""

    def __init__(self, folder: Path, plant: str) -> None:
        self.folder = folder
        self.shop = folder / "shop.sandtrack"
        self.made = self.type("init", self.file("plant.toml", plant))
        assert self.made.exit_code == 0, self.made.output

    def type(self, *words: str) -> Result:
        """What comes of a command."""
        return CliRunner().invoke(main, [*words, "--shop", str(self.shop)])

    def ask(self, *words: str) -> dict[str, Any]:
        """Values of an answer."""
        values: dict[str, Any] = json.loads(self.type(*words, "--json").stdout)["values"]
        return values

    def last(self) -> dict[str, Any]:
        """Content of the latest record, as it is kept."""
        content: dict[str, Any] = self.ask("records", "--limit", "1")["records"][0]["content"]
        return content

    def file(self, name: str, *lines: str) -> str:
        """A file with these lines."""
        path = self.folder / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return str(path)
