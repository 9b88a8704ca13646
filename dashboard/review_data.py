"""The door from the pages of review and losses to sensord."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from markupsafe import Markup

from dashboard.review_snapshot import Choice, LossesAsked, Question, ReviewAsked, Say, Told
from dashboard.units import CELSIUS, in_words
from dashboard.viewmodels import natural
from sensord.clock import to_ms
from sensord.model import EntryKind
from sensord.wiring import Room


class ReviewData:
    """Answers from any thread.

    Args:
        room: gives the calling thread's own room.
    """

    def __init__(self, room: Callable[[], Room]) -> None:
        self._room = room

    def choices(self) -> tuple[Choice, ...]:
        """Every nest there is or was: the dead first, the last one foremost."""
        registry = self._room().registry
        at_ms = to_ms(self._room().clock.now())
        alive = registry.alive(at_ms)
        died = {one.nest: one.at_ms for one in registry.entries(kinds=(EntryKind.DIED,), until_ms=at_ms + 1)}
        found = [
            Choice(nest.name, nest.species, nest.rack, None if nest.name in alive else died.get(nest.name))
            for nest in registry.nests()
        ]
        return tuple(sorted(found, key=lambda one: (one.died_ms is None, -(one.died_ms or 0), natural(one.nest))))

    def answer(self, asked: Question, say: Say) -> Told:
        """A review, several, two side by side, or the losses."""
        return self._review(asked, say) if isinstance(asked, ReviewAsked) else self._losses(asked, say)

    def _review(self, asked: ReviewAsked, say: Say) -> Told:
        room = self._room()
        at_ms = to_ms(room.clock.now()) if asked.at_ms is None else asked.at_ms
        reports = self._reports(room)
        if asked.beside:
            left = (asked.nests[0], at_ms)
            both = reports.beside(left, (asked.beside, asked.beside_at_ms), asked.days, say)
            return _beside(room, both)
        found, common = reports.several(asked.nests, at_ms, asked.days, say)
        say("Drawing the report")
        report = room.part("sensord.insight.review_report", "station")
        station = room.config.station.name
        unit = room.config.dashboard.temperature_unit
        return Told(
            "-".join(asked.nests), _marked(report.body_of(found, common, folded=True), unit),
            in_words(report.html_of(found, common, room=station), unit), report.csv_text(found),
        )  # fmt: skip

    def _reports(self, room: Room) -> Any:
        """What the last journal entry says is in them: nothing that was read before is kept."""
        return room.part("sensord.reports", "station").Reports(room, room.config.dashboard.temperature_unit)

    def _losses(self, asked: LossesAsked, say: Say) -> Told:
        room = self._room()
        until_ms = to_ms(room.clock.now()) if asked.until_ms is None else asked.until_ms
        found = self._reports(room).lives.losses(asked.from_ms, until_ms, asked.by, say)
        losses = room.part("sensord.insight.losses", "station")
        drawn = _marked(room.part("sensord.insight.losses_article", "station").article(found, room.config.zone))
        report = room.part("sensord.insight.review_report", "station")
        data = report.csv_of(losses.csv_rows(found))
        head = Markup("<h1>{}: losses</h1>").format(room.config.station.name)
        return Told("losses", drawn, report.document("losses", head + drawn, data, "losses"), data)


def _beside(room: Room, both: tuple[Any, Any]) -> Told:
    report = room.part("sensord.insight.review_report", "station")
    drawn = _marked(
        room.part("sensord.insight.comparison", "station").article(*both), room.config.dashboard.temperature_unit
    )
    name = " beside ".join(one.review.case.nest for one in both)
    data = report.csv_text(both)
    head = Markup("<h1>{}</h1>").format(room.config.station.name)
    return Told(name, drawn, report.document(name, head + drawn, data, name), data)


def _marked(article: str, unit: str = CELSIUS) -> Markup:
    """A piece of a page from sensord, where every word in it was escaped; temperatures in the reader's unit."""
    return Markup(in_words(article, unit))  # noqa: S704 - see above
