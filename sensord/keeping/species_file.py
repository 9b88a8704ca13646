"""The form of a species file: which keys it may have, what is allowed in each, and every mistake at once.

A file is TOML. Numbers stand in tables that also carry ``source``; a number whose source differs has a key of its own
beside it, ``NUMBER_source``. The schema below is the form's documentation too. Beside it a file may hold ``[[season]]``
tables: a season by hand, ``season``, ``from`` and, but for one without an end, ``until``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sensord.keeping.bands import EDGES
from sensord.model import Place, Season, Stage

DATE = r"(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
TIME = r"([01][0-9]|2[0-3]):[0-5][0-9]"
COMMON_PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class Rule:
    """What is allowed in one key: text out of ``choices`` or of ``pattern``, or a number of ``low`` to ``high``."""

    doc: str
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    pattern: str = ""

    @property
    def number(self) -> bool:
        """Whether it holds a number."""
        return self.low is not None

    def allowed(self) -> str:
        """In words."""
        if self.number:
            return f"a number from {self.low:g} to {self.high:g}"
        return ", ".join(self.choices) or (f"text like {self.pattern}" if self.pattern else "text")

    def accepts(self, value: Any) -> bool:
        """Whether the value is allowed."""
        if self.number:
            assert self.low is not None
            assert self.high is not None
            return isinstance(value, int | float) and not isinstance(value, bool) and self.low <= value <= self.high
        if not isinstance(value, str):
            return False
        return (not self.choices or value in self.choices) and (not self.pattern or bool(_full(self.pattern, value)))


def _full(pattern: str, value: str) -> re.Match[str] | None:
    return re.fullmatch(pattern, value)


_TEMP = (-30.0, 60.0)
_WORKERS = (0.0, 10_000_000.0)


def _band_rules() -> Iterator[tuple[str, Rule]]:
    for season in Season:
        for place in Place:
            for edge in EDGES:
                yield f"{season}.{place}.temp_c.{edge}", Rule("°C", *_TEMP)
                yield f"{season}.{place}.rh_pct.{edge}", Rule("%RH", 0.0, 100.0)


def _feeding_rules() -> Iterator[tuple[str, Rule]]:
    for stage in Stage:
        yield f"feeding.{stage}.sugar_every_days", Rule("days between sugar", 0.5, 365.0)
        yield f"feeding.{stage}.protein_every_days", Rule("days between protein", 0.5, 365.0)


RULES: dict[str, Rule] = {
    "name": Rule("scientific name", pattern=r"\S.*"),
    "common_name": Rule("what keepers call it"),
    "climate": Rule("where it is from", choices=("temperate", "mediterranean", "desert", "tropical", "any")),
    "caution": Rule("what to heed before keeping, moving or selling it"),
    "founding.kind": Rule(
        "how a colony begins", choices=("claustral", "semi_claustral", "parasitic", "budding", "any")
    ),
    "stages.nanitic_from_workers": Rule("workers", *_WORKERS),
    "stages.growing_from_workers": Rule("workers", *_WORKERS),
    "stages.established_from_workers": Rule("workers", *_WORKERS),
    "move.from_workers": Rule("move to a nest from so many workers", *_WORKERS),
    "move.by_workers": Rule("and at the latest with so many", *_WORKERS),
    "escape.risk": Rule("how readily it leaves", choices=("low", "medium", "high")),
    "escape.barrier": Rule("what holds it"),
    "escape.renew_every_days": Rule("days a barrier lasts", 1.0, 365.0),
    "rest.kind": Rule("winter rest", choices=("needed", "mild", "none")),
    "rest.wind_down_from": Rule("MM-DD, northern hemisphere", pattern=DATE),
    "rest.winter_rest_from": Rule("MM-DD, northern hemisphere", pattern=DATE),
    "rest.wake_up_from": Rule("MM-DD, northern hemisphere", pattern=DATE),
    "rest.active_from": Rule("MM-DD, northern hemisphere", pattern=DATE),
    "rest.least_days": Rule("days of rest a colony needs", 0.0, 365.0),
    "day_night.night_cooler_c": Rule("°C that its nights are cooler than its days, in the active season", 0.0, 20.0),
    "day_night.day_from": Rule("HH:MM in the room's time", pattern=TIME),
    "day_night.night_from": Rule("HH:MM in the room's time", pattern=TIME),
    **dict(_feeding_rules()),
    **dict(_band_rules()),
}
_TABLES = {path.rpartition(".")[0] for path in RULES} - {""}


@dataclass(frozen=True, slots=True)
class Given:
    """A value of a species file: what it is, where it comes from, and the file that said so."""

    value: float | str
    source: str
    file: str


@dataclass(frozen=True, slots=True)
class SeasonByHand:
    """The keeper's own word: this season from the midnight that begins one day to the midnight that begins another.

    Attributes:
        until_day: None: until further notice.
    """

    season: Season
    from_day: date
    until_day: date | None = None


def read_seasons(document: dict[str, Any], file: Path, problems: list[str]) -> tuple[SeasonByHand, ...]:
    """The ``[[season]]`` tables of one file, taken out of the document; mistakes go to ``problems``, one line each."""
    tables = document.pop("season", [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        problems.append(f"{file}: season: allowed is [[season]], once for each")
        return ()
    found = (_season(table, f"{file}: season[{number}]", problems) for number, table in enumerate(tables, 1))
    return tuple(each for each in found if each is not None)


def _season(table: dict[str, Any], where: str, problems: list[str]) -> SeasonByHand | None:
    before = len(problems)
    keys = ("season", "from", "until")
    problems += [f"{where}.{key}: no such key; allowed are {', '.join(keys)}" for key in table if key not in keys]
    if table.get("season") not in list(Season):
        problems.append(f"{where}.season = {table.get('season')!r}: allowed is {', '.join(Season)}")
    from_day, until_day = (_day(table.get(key)) for key in ("from", "until"))
    for key, day in (("from", from_day), ("until", until_day)):
        if day is None and (key in table or key == "from"):
            problems.append(f"{where}.{key} = {table.get(key)!r}: allowed is a day like 2026-11-10")
    if from_day and until_day and until_day <= from_day:
        problems.append(f"{where}.until = {until_day}: allowed is a day after {from_day}")
    if from_day is None or len(problems) > before:
        return None
    return SeasonByHand(Season(table["season"]), from_day, until_day)


def _day(value: Any) -> date | None:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        return None


def read_document(document: dict[str, Any], file: Path, problems: list[str], *, packaged: bool) -> dict[str, Given]:
    """All values of one file by dotted path; its mistakes go to ``problems``, one line each.

    A keeper's file may leave sources out: the number is then the keeper's own.
    """
    found: dict[str, Given] = {}
    for path, value, table in _leaves(document, ""):
        rule = RULES.get(path)
        if rule is None:
            if not _is_source(path):
                problems.append(f"{file}: {path} = {value!r}: no such key{_hint(path)}")
            elif not isinstance(value, str) or not value.strip():
                problems.append(f"{file}: {path} = {value!r}: allowed is text")
            continue
        if not rule.accepts(value):
            problems.append(f"{file}: {path} = {value!r}: allowed is {rule.allowed()}")
            continue
        source = table.get(f"{path.rpartition('.')[2]}_source") or table.get("source")
        if not source and packaged and rule.number:
            problems.append(f"{file}: {path} = {value!r}: has no source; give one, or '{COMMON_PRACTICE}'")
        text = str(source) if source else f"the keeper, {file.name}"
        found[path] = Given(float(value) if rule.number else str(value), text, file.name)
    return found


def _leaves(table: dict[str, Any], prefix: str) -> Iterator[tuple[str, Any, dict[str, Any]]]:
    for name, value in table.items():
        path = f"{prefix}{name}"
        if isinstance(value, dict) and path not in RULES:
            yield from _leaves(value, f"{path}.")
        else:
            yield path, value, table


def _is_source(path: str) -> bool:
    table, _, name = path.rpartition(".")
    if name == "source":
        return table in _TABLES
    return name.endswith("_source") and f"{table}.{name.removesuffix('_source')}".lstrip(".") in RULES


def _hint(path: str) -> str:
    table = path.rpartition(".")[0]
    beside = [rule.rpartition(".")[2] for rule in RULES if rule.rpartition(".")[0] == table]
    below = sorted({rule.split(".")[0] for rule in RULES})
    return f"; allowed are {', '.join(beside or below)}"
