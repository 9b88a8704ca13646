"""The docs do not lag behind the code."""

from __future__ import annotations

import re
from pathlib import Path

from sensord.cli import COMMANDS
from sensord.docs import filled, settings_table
from sensord.settings import SECTIONS

ROOT = Path(__file__).parents[2]


def test_the_readme_lists_every_command_and_every_setting() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert filled(text) == text, "run: python -m sensord.docs README.md"
    assert all(f"| `{name}` |" in text for name in COMMANDS)
    assert all(f"[{section}" in settings_table() for section in SECTIONS)


def test_every_command_has_a_module() -> None:
    for name in COMMANDS:
        assert (ROOT / "sensord" / "commands" / f"{'import_' if name == 'import' else name}.py").is_file(), name


def test_every_package_and_every_module_between_them_is_in_the_developers_map() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for folder in sorted(path.parent.name for path in (ROOT / "sensord").glob("*/__init__.py")):
        assert f"{folder}/" in text, folder
    for module in sorted(path.stem for path in (ROOT / "sensord").glob("*.py")):
        assert f"`{module}`" in text or module.startswith("__"), module


def test_every_file_that_the_developers_page_names_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w/.-]+\.(?:py|js))`", text)) - {"tests/bench/bench_NAME.py"}
    tops = ("sensord", "dashboard", "demo", "tests")
    there = {file.relative_to(ROOT).as_posix() for top in tops for file in (ROOT / top).rglob("*.[pj][ys]")}
    assert len(named) > 40
    for name in sorted(named):
        assert any(path == name or path.endswith(f"/{name}") for path in there), name
