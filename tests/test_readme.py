"""What the README shows is what comes out."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
BLOCK = r"\n((?:(?!```).)*?)\n```"
SHOWN = re.findall(rf"```sh{BLOCK}\n\n```text{BLOCK}", README, re.DOTALL)


def steady(text: str) -> list[str]:
    """Output without what differs from run to run: hashes, random ids, the time of recording and of asking."""
    lines = []
    for line in text.rstrip().splitlines():
        line = re.sub(r"\b[0-9a-f]{16,64}\b", "HASH", line)
        if re.match(r"recorded:|known already:|as of 2026|  at      20(2[6-9]|[3-9]\d)", line):
            line = re.sub(r"20\d\d-\d\d-\d\d[T ]\d\d:\d\d(\+\d\d:\d\d)?", "TIME", line)
        lines.append(re.sub(r"as of TIME|as of 20(2[6-9]|[3-9]\d)-\d\d-\d\d \d\d:\d\d", "as of NOW", line))
    return lines


def run(command: str, folder: Path) -> list[str]:
    """Run a command of the README in a folder that has the demo."""
    words = re.sub(r"(^|&& |; |\| )sandtrack ", rf"\1{sys.executable} -m sandtrack ", command)
    env = os.environ | {"SANDTRACK_SHOP": "foundry.sandtrack", "COLUMNS": "100"}
    done = subprocess.run(["bash", "-c", words], cwd=folder, env=env, capture_output=True, text=True, check=False)
    return steady(done.stdout + done.stderr)


def test_commands_print_what_the_readme_shows(tmp_path: Path):
    """Each command of the README, in its order, prints what stands below it."""
    shutil.copytree(ROOT / "demo_data", tmp_path / "demo_data", ignore=shutil.ignore_patterns("__pycache__"))
    assert len(SHOWN) >= 8
    for command, output in SHOWN:
        if command.startswith("sqlite3 ") and shutil.which("sqlite3") is None:
            continue  # SQLite's own shell is not on every machine
        assert run(command, tmp_path) == steady(output), command
    (shown,) = re.findall(rf"```python{BLOCK}\n\n```text{BLOCK}", README, re.DOTALL)
    done = subprocess.run([sys.executable, "-c", shown[0]], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert steady(done.stdout + done.stderr) == steady(shown[1])


def test_the_first_command_ends_with_the_brief(tmp_path: Path):
    """The main job, as the first set-up command runs it, prints the brief that the README shows."""
    first, second = re.findall(r"```sh\n(.*?)\n```", README, re.DOTALL)[:2]
    assert first.endswith(".venv/bin/sandtrack brief demo_data")
    assert "pytest" in second
    shown = re.search(r"ends with this:\n\n```text\n(.*?)\n```", README, re.DOTALL)
    assert shown is not None
    assert run("sandtrack brief demo_data", ROOT) == steady(shown[1])


def test_library_example_runs(demo_shop: Path, tmp_path: Path):
    """The Python of the README runs as it stands."""
    code = README.split("## As a library")[1].split("```python\n")[1].split("\n```")[0]
    shutil.copy(demo_shop, tmp_path / "foundry.sandtrack")
    done = subprocess.run(
        [sys.executable, "-c", code + "\nassert len(mixes) > 500 and setting.possible"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
