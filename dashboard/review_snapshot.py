"""What the pages of review and losses ask for and get: plain values. ``review_data.py`` answers, tests invent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from markupsafe import Markup

Say = Callable[[str], None]
"""Told what is being done while it is."""


@dataclass(frozen=True, slots=True)
class Choice:
    """A nest to choose. ``died_ms`` is None where its colony lives."""

    nest: str
    species: str = ""
    rack: str = ""
    died_ms: int | None = None


@dataclass(frozen=True, slots=True)
class ReviewAsked:
    """Which nests, up to when and how far back; ``beside``: another, or the same at another time (None: by itself)."""

    nests: tuple[str, ...]
    at_ms: int | None = None
    days: int = 30
    beside: str = ""
    beside_at_ms: int | None = None


@dataclass(frozen=True, slots=True)
class LossesAsked:
    """Colonies watched from then (None: since the first came) to then (None: now), by what."""

    by: str = "rack"
    from_ms: int | None = None
    until_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Told:
    """An answer. ``article`` is a piece of a page, headings from level 2; ``document``, ``data`` are files to save."""

    name: str
    article: Markup
    document: str
    data: str


Question = ReviewAsked | LossesAsked


class ReviewSource(Protocol):
    """What those pages ask. Every method may raise NestclimateError."""

    def choices(self) -> tuple[Choice, ...]:
        """Every nest there is or was, those whose colony died last first, then those that live by name."""

    def answer(self, asked: Question, say: Say) -> Told:
        """Computed now, which may take seconds. InputError where it cannot be."""
