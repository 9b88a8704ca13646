"""Makes the tables of the README from the code, so that they cannot lag: ``python -m sensord.docs README.md``."""

from __future__ import annotations

import dataclasses
import re
import sys
import typing
from pathlib import Path
from typing import Any

from sensord.alarms.messages import FIRST, WORDS
from sensord.alarms.tuning import PRIORITY
from sensord.cli import COMMANDS
from sensord.model import AlarmKind
from sensord.settings import REPEATED, SECTIONS


def commands_table() -> str:
    """Every command and what it does."""
    rows = [f"| `{name}` | {doc} |" for name, doc in COMMANDS.items()]
    return "\n".join(["| command | does |", "|---|---|", *rows])


def settings_table() -> str:
    """Every setting: key, default, meaning and what is allowed."""
    rows = ["| key | default | meaning |", "|---|---|---|"]
    for section, kind in SECTIONS.items():
        rows += _rows(f"[[{section}]]" if section in REPEATED else f"[{section}]", kind)
    return "\n".join(rows)


def alarms_table() -> str:
    """Every kind of alarm: what its message says, how urgent it is, and what to do first."""
    rows = [f"| `{kind}` | {WORDS[kind]} | {PRIORITY[kind]} | {FIRST[kind]} |" for kind in AlarmKind]
    return "\n".join(["| alarm | says | priority | what to do first |", "|---|---|---|---|", *rows])


def _rows(title: str, kind: type) -> list[str]:
    rows, nested = [], []
    hints = typing.get_type_hints(kind)
    for item in dataclasses.fields(kind):
        inner = typing.get_args(hints[item.name])
        if inner and dataclasses.is_dataclass(inner[0]):
            nested += _rows(f"[[{title.strip('[]')}.{item.name}]]", typing.cast(type, inner[0]))
        else:
            rows.append(f"| `{title} {item.name}` | {_default(item)} | {_meaning(item.metadata)} |")
    return rows + nested


def _default(item: dataclasses.Field[Any]) -> str:
    if item.metadata["required"]:
        return "must be given"
    if item.default in ("", None, ()):
        return ""
    if item.metadata["words"].startswith("0x"):
        return f"`{item.default:#x}`"
    if isinstance(item.default, tuple):
        return f"`{list(item.default)}`".replace("'", '"')
    return f"`{str(item.default).lower() if isinstance(item.default, bool) else item.default}`"


def _meaning(rules: typing.Mapping[str, Any]) -> str:
    allowed = ", ".join(f"`{choice}`" for choice in rules["choices"])
    if rules["words"]:
        allowed = rules["words"]
    elif rules["low"] is not None:
        allowed = f"{rules['low']} to {rules['high']}"
    doc = str(rules["doc"]).replace("|", r"\|")
    return f"{doc} ({allowed})" if allowed else doc


def filled(text: str) -> str:
    """The README with its tables made anew between their marks."""
    tables = {"commands": commands_table(), "alarms": alarms_table(), "settings": settings_table()}
    for name, table in tables.items():
        mark = f"<!-- {name} -->\n"
        before, _, after = text.partition(mark)
        rest = re.sub(r"\A\n?(?:\|[^\n]*\n)+", "", after, count=1)
        text = f"{before}{mark}\n{table}\n{rest}"
    return text


if __name__ == "__main__":
    readme = Path(sys.argv[1])
    readme.write_text(filled(readme.read_text(encoding="utf-8")), encoding="utf-8")
