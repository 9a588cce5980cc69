"""A small shop in an empty folder, and loads into it that must be refused."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sandtrack.errors import LoadRefused
from sandtrack.ledger import Ledger
from sandtrack.plant import read_toml
from sandtrack.shop.loading import load

PLANT = Path(__file__).parent / "plant.toml"


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder that the test works in, so that messages name files as a user sees them."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def ledger(here: Path) -> Iterator[Ledger]:
    shop = Ledger.create(here / "shop.sandtrack", read_toml(PLANT), sender="ida")
    yield shop
    shop.close()


@pytest.fixture
def put() -> Callable[..., str]:
    """Write a file, its folders too; return its name."""

    def write(name: str, text: str, encoding: str = "utf-8") -> str:
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode(encoding))
        return name

    return write


@pytest.fixture
def told(ledger: Ledger) -> Callable[..., list[str]]:
    """Load what must be refused; nothing may have been written. Return the problems as a user reads them."""

    def refuse(*paths: str, **options: Any) -> list[str]:
        before = ledger.head()
        with pytest.raises(LoadRefused) as caught:
            load(ledger, paths, **options)
        assert ledger.head() == before
        assert str(caught.value).splitlines()[1:2] == [f"  {problem}" for problem in caught.value.problems[:1]]
        return [str(problem) for problem in caught.value.problems]

    return refuse


@pytest.fixture
def codes(ledger: Ledger) -> Callable[..., list[tuple[int | None, str, str]]]:
    """Load what must be refused; nothing may have been written. Return (line, column, code) of each problem."""

    def refuse(*paths: str, **options: Any) -> list[tuple[int | None, str, str]]:
        before = ledger.head()
        with pytest.raises(LoadRefused) as caught:
            load(ledger, paths, **options)
        assert ledger.head() == before
        return [(problem.line, problem.column, problem.code) for problem in caught.value.problems]

    return refuse


@pytest.fixture
def stock_kg(ledger: Ledger) -> Callable[[str], dict[str, float]]:
    """Stock of a place by the movements alone. [kg]"""

    def add_up(place: str) -> dict[str, float]:
        with ledger.store.reading() as connection:
            rows = connection.execute(
                "SELECT material, sum(CASE WHEN target = ?1 THEN mass_mg ELSE -mass_mg END) FROM movement "
                "WHERE source = ?1 OR target = ?1 GROUP BY material",
                (place,),
            )
            return {material: mass / 1e6 for material, mass in rows}

    return add_up
