"""The rules of the house hold in the code as it stands: who imports what, and which rooms are pure."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ONE_DOOR = {
    "board": {"sensord/probes/hardware.py"},
    "busio": {"sensord/probes/hardware.py"},
    "adafruit_blinka": {"sensord/probes/hardware.py"},
    "adafruit_sht31d": {"sensord/probes/sht31.py"},
    "paho": {"sensord/link/mqtt.py"},
    "amqtt": {"sensord/link/broker.py"},
    "apprise": {"sensord/alarms/push.py"},
    "argon2": {"sensord/access/passwords.py"},
    "pyarrow": {"sensord/keeping/table_files.py"},
    "segno": {"dashboard/components/codes.py"},
}
PURE = [
    *sorted((ROOT / "sensord" / "air").glob("*.py")),
    *(path for path in sorted((ROOT / "sensord" / "insight").glob("*.py")) if path.name != "history.py"),
    *(ROOT / "sensord" / "alarms" / name for name in ("rules.py", "lifecycle.py")),
    *(ROOT / "sensord" / "keeping" / name for name in ("bands.py", "seasons.py", "round.py")),
]
NOT_IN_A_PURE_ROOM = {"sqlite3", "socket", "threading", "subprocess", "urllib", "time", "os", "pathlib", "logging"}
IMPURE_OF_OURS = ("sensord.store.sqlite", "sensord.db", "sensord.link", "sensord.wiring", "sensord.config")


def modules() -> Iterator[Path]:
    """Every module of the product."""
    for folder in ("sensord", "dashboard"):
        yield from sorted((ROOT / folder).rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Full names of what a module imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module)
    return found


def test_each_foreign_client_has_one_door() -> None:
    for path in modules():
        name = path.relative_to(ROOT).as_posix()
        for module in imported(path):
            doors = ONE_DOOR.get(module.partition(".")[0])
            assert doors is None or name in doors, f"{name} imports {module}"
            if module.partition(".")[0] == "influxdb_client":
                assert name.startswith("sensord/store/")


def test_sensord_never_imports_the_dashboard_and_nobody_the_demo() -> None:
    for path in modules():
        tops = {module.partition(".")[0] for module in imported(path)}
        assert "demo" not in tops, path
        assert "tests" not in tops, path
        assert "dashboard" not in tops or path.is_relative_to(ROOT / "dashboard"), path


@pytest.mark.parametrize("path", PURE, ids=lambda path: path.stem)
def test_a_pure_room_does_no_input_or_output_and_asks_no_clock(path: Path) -> None:
    found = imported(path)
    assert not {module.partition(".")[0] for module in found} & NOT_IN_A_PURE_ROOM
    assert not [module for module in found if module.startswith(IMPURE_OF_OURS)]
    calls = [node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)]  # fmt: skip
    assert not {"open", "print", "input"} & set(calls)


def test_only_the_wiring_names_concrete_adapters() -> None:
    concrete = {"sensord.store.sqlite", "sensord.store.influx", "sensord.store.victoria", "sensord.link.mqtt"}
    for path in modules():
        name = path.relative_to(ROOT).as_posix()
        if name != "sensord/wiring.py" and not name.startswith(("sensord/store/", "sensord/link/")):
            assert not imported(path) & concrete, name


def test_no_path_of_a_machine_and_no_module_without_end() -> None:
    for path in modules():
        text = path.read_text(encoding="utf-8")
        assert str(ROOT) not in text, path
        assert len(text.splitlines()) <= 450, f"{path}: split it"
