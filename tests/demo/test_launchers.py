"""What demo/run and tests/run share: finding Python, and telling a whole environment from a half-finished one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[2]


def bash(script: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["/bin/bash", "-c", f". .ci/venv.sh; {script}", "run"],
        cwd=REPOSITORY, env={"PATH": "/usr/bin:/bin", **environment}, capture_output=True, text=True, check=False,
    )  # fmt: skip


def environment(folder: Path, mark: str | None, python: str | None) -> Path:
    (folder / "bin").mkdir(parents=True)
    if mark is not None:
        (folder / ".complete").write_text(mark + "\n")
    if python is not None:
        (folder / "bin" / "python").symlink_to(python)
    return folder


@pytest.mark.parametrize(
    ("mark", "python", "whole"),
    [
        ("wanted", sys.executable, True),
        (None, sys.executable, False),
        ("older inputs", sys.executable, False),
        ("wanted", None, False),
        ("wanted", "/nowhere/python", False),
    ],
)
def test_only_a_finished_environment_is_used_again(
    tmp_path: Path, mark: str | None, python: str | None, *, whole: bool
) -> None:
    """The mark is written last, so an interrupted installation never passes; nor does one whose Python is gone."""
    folder = environment(tmp_path / "venv", mark, python)
    assert (bash(f"whole {folder} wanted").returncode == 0) == whole


def test_a_machine_without_python_is_told_what_to_install(tmp_path: Path) -> None:
    """One line that names the packages."""
    done = bash("find_python", PATH=str(tmp_path))
    assert done.returncode == 1
    assert "Python 3.11 or newer is needed" in done.stderr
    assert "sudo apt install python3 python3-venv" in done.stderr


def test_a_named_python_is_preferred() -> None:
    """PYTHON=... names one."""
    assert bash("find_python", PYTHON=sys.executable).stdout.strip() == sys.executable


def test_what_fails_now_and_then_is_tried_three_times(tmp_path: Path) -> None:
    """Networks stumble; an installation that works the third time is good."""
    count = f'echo x >> {tmp_path}/tries; [ "$(wc -l < {tmp_path}/tries)" = 3 ]'
    assert bash(f"stumble() {{ {count}; }}; try_three_times stumble").returncode == 0
    assert bash("try_three_times false").returncode == 1


@pytest.mark.parametrize("script", ["demo/run", "tests/run", ".ci/run"])
def test_every_script_is_executable_and_parses(script: str) -> None:
    """A fresh clone runs them as they are."""
    file = REPOSITORY / script
    assert file.stat().st_mode & 0o111
    subprocess.run(["/bin/bash", "-n", file], check=True)


def test_unknown_options_are_refused() -> None:
    """tests/run names what is allowed."""
    done = subprocess.run([REPOSITORY / "tests/run", "--fast"], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "allowed are --quick" in done.stderr
