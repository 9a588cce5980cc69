"""The house rules that a program can check: who may import whom, and that importing is quick."""

import subprocess
import sys
import tomllib
from pathlib import Path

import sandtrack_api

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


def test_every_folder_of_code_is_packed():
    """The packages of a wheel are all folders with Python files, and no others."""
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    folders = {
        ".".join((package.__name__, *path.parent.relative_to(Path(package.__file__).parent).parts))
        for package in (sandtrack, sandtrack_api)
        for path in Path(package.__file__).parent.rglob("*.py")
    }
    assert sorted(listed) == sorted(folders)


def test_importing_is_quick():
    """Importing the shop loads neither pandas nor SciPy nor matplotlib nor pint."""
    heavy = "{'pandas', 'scipy', 'matplotlib', 'pint', 'flask', 'openpyxl'}"
    code = f"import sys, sandtrack; sandtrack.Shop; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


def test_a_file_is_read_in_one_sitting():
    """No source file has more than 400 lines."""
    here = [Path(package.__file__).parent for package in (sandtrack, sandtrack_api)]
    files = [path for folder in here for path in folder.rglob("*.py")]
    long = {str(path): n for path in files if (n := len(path.read_text().splitlines())) > 400}
    assert long == {}
