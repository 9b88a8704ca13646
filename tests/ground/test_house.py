"""The rules of the house hold in the code as it stands: who imports what, and which rooms are pure."""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from dataclasses import dataclass
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
    "influxdb_client": {"sensord/store/server.py"},
    "argon2": {"sensord/access/passwords.py"},
    "pyarrow": {"sensord/keeping/table_files.py"},
    "segno": {"dashboard/components/codes.py"},
}
PURE = [
    *sorted((ROOT / "sensord" / "air").glob("*.py")),
    *(path for path in sorted((ROOT / "sensord" / "insight").glob("*.py")) if path.name != "history.py"),
    *(
        ROOT / "sensord" / "alarms" / f"{name}.py"
        for name in ("rules", "lifecycle", "conditions", "aside", "reservoir", "swing", "doubt")
    ),
    *(
        ROOT / "sensord" / "keeping" / f"{name}.py"
        for name in ("bands", "colony", "day_night", "edits", "placements", "rest", "round", "seasons")
    ),
]
NOT_IN_A_PURE_ROOM = {"sqlite3", "socket", "threading", "subprocess", "urllib", "time", "os", "pathlib", "logging"}
ASKS_A_CLOCK = {"now", "today", "utcnow", "monotonic"}
IMPURE_OF_OURS = ("sensord.store.sqlite", "sensord.db", "sensord.link", "sensord.wiring", "sensord.config")


def modules() -> Iterator[Path]:
    """Every module of the product."""
    for folder in ("sensord", "dashboard"):
        yield from sorted((ROOT / folder).rglob("*.py"))


@dataclass(frozen=True)
class Seen:
    """What the rules ask of a module: full names imported, functions and methods called by name, lines of each function."""

    imported: frozenset[str]
    called: frozenset[str]
    methods: frozenset[str]
    lines: dict[str, int]


@functools.cache
def seen(path: Path) -> Seen:
    imported, called, methods, lines = set(), set(), set(), {}
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Import():
                imported |= {name.name for name in node.names}
            case ast.ImportFrom(module=str(module), level=0):
                imported.add(module)
            case ast.Call(func=ast.Name(id=name)):
                called.add(name)
            case ast.Call(func=ast.Attribute(attr=name)):
                methods.add(name)
            case ast.FunctionDef() | ast.AsyncFunctionDef():
                lines[node.name] = max(lines_of(node), lines.get(node.name, 0))
    return Seen(frozenset(imported), frozenset(called), frozenset(methods), lines)


def lines_of(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    inside = [each for each in node.body if isinstance(each, ast.FunctionDef | ast.AsyncFunctionDef)]
    said = (ast.get_docstring(node, clean=False) or "").count("\n")
    return node.end_lineno - node.lineno - said - sum(each.end_lineno - each.lineno for each in inside)


def test_each_foreign_client_has_one_door() -> None:
    for path in modules():
        name = path.relative_to(ROOT).as_posix()
        for module in seen(path).imported:
            doors = ONE_DOOR.get(module.partition(".")[0])
            assert doors is None or name in doors, f"{name} imports {module}"


def test_sensord_never_imports_the_dashboard_and_nobody_the_demo() -> None:
    for path in modules():
        tops = {module.partition(".")[0] for module in seen(path).imported}
        assert "demo" not in tops, path
        assert "tests" not in tops, path
        assert "dashboard" not in tops or path.is_relative_to(ROOT / "dashboard"), path


@pytest.mark.parametrize("path", PURE, ids=lambda path: path.stem)
def test_a_pure_room_does_no_input_or_output_and_asks_no_clock(path: Path) -> None:
    found = seen(path).imported
    assert not {module.partition(".")[0] for module in found} & NOT_IN_A_PURE_ROOM
    assert not [module for module in found if module.startswith(IMPURE_OF_OURS)]
    assert not {"open", "print", "input"} & seen(path).called
    assert not ASKS_A_CLOCK & seen(path).methods


def test_only_the_wiring_names_concrete_adapters() -> None:
    concrete = {"sensord.store.sqlite", "sensord.store.influx", "sensord.store.victoria", "sensord.link.mqtt"}
    for path in modules():
        name = path.relative_to(ROOT).as_posix()
        if name != "sensord/wiring.py" and not name.startswith(("sensord/store/", "sensord/link/")):
            assert not seen(path).imported & concrete, name


def test_no_path_of_a_machine_and_no_module_or_function_without_end() -> None:
    """About 400 lines a module, 40 a function; its docstring and the functions inside it count for themselves."""
    for path in modules():
        text = path.read_text(encoding="utf-8")
        assert str(ROOT) not in text, path
        assert len(text.splitlines()) <= 430, f"{path}: split it"
        long = [name for name, lines in seen(path).lines.items() if lines > 42]
        assert not long, f"{path}: split {', '.join(long)}"
