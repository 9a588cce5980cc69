"""The house rules that a program can check: who may import whom, and that importing is quick."""

import subprocess
import sys
from pathlib import Path

import sandtrack

ROOT = Path(__file__).parents[1]


def test_imports_go_down_only():
    """The layers and the forbidden imports of pyproject.toml hold."""
    done = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports")), "--config", str(ROOT / "pyproject.toml"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


def test_importing_is_quick():
    """Importing the shop loads neither pandas nor SciPy nor matplotlib nor pint."""
    heavy = "{'pandas', 'scipy', 'matplotlib', 'pint', 'flask', 'openpyxl'}"
    code = f"import sys, sandtrack; sandtrack.Shop; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


def test_a_file_is_read_in_one_sitting():
    """No source file has more than 400 lines."""
    here = Path(sandtrack.__file__).parent
    long = {path.name: n for path in here.rglob("*.py") if (n := len(path.read_text().splitlines())) > 400}
    assert long == {}
