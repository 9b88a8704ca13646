"""From sensord's own values to the plain ones of ``snapshot.py``. Pure; ``data.py`` asks, this one translates."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.snapshot import AlarmNow, AlarmStep, Chore, ColonyNow, OutOfService, Water
from sensord.alarms.messages import FIRST, name_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sensord.alarms.aside import Taken
    from sensord.alarms.lifecycle import Alarm
    from sensord.alarms.log import Transition
    from sensord.insight.outlook import NestOutlook
    from sensord.keeping.colony import Colony
    from sensord.keeping.round import Line


def water_of(found: NestOutlook) -> Water | None:
    """The outlook of one nest; None where nothing can be said."""
    days, left = found.days_left, found.water_left_ml
    if days is None or left is None:
        return None
    asks = found.questions[0].text if found.questions else ""
    return Water(days.p10, days.p50, days.p90, left.p50, left.p10, left.p90, found.basis, found.cycles_learned, asks)


def out_of_service(taken: Taken) -> OutOfService:
    """What the keeper works on."""
    return OutOfService(taken.subject, taken.until_ms, taken.because, taken.by)


def alarm_now(alarm: Alarm, steps: Sequence[Transition] = ()) -> AlarmNow:
    """An alarm, with its life where it is given."""
    return AlarmNow(
        id=alarm.id, kind=str(alarm.kind), priority=str(alarm.priority), state=str(alarm.state), raised_ms=alarm.raised_ms,
        nest=alarm.nest, probe=alarm.probe, place=str(alarm.place) if alarm.place else None, room=alarm.room,
        returned_ms=alarm.returned_ms, acknowledged_ms=alarm.acknowledged_ms, worst=alarm.worst, limit=alarm.limit,
        message=FIRST[alarm.kind], subject=name_of(alarm), detail=alarm.detail,
        aside_until_ms=alarm.aside_until_ms, aside_because=alarm.aside_because, aside_by=alarm.aside_by,
        steps=tuple(AlarmStep(step.at_ms, step.what, step.by, step.because) for step in steps),
    )  # fmt: skip


def chores_of(lines: Sequence[Line]) -> tuple[Chore, ...]:
    """The lines of the round, in their order."""
    return tuple(
        Chore(
            str(line.task),
            str(line.urgency),
            line.room,
            line.rack,
            line.nest,
            line.why,
            str(line.done_kind or ""),
            tuple(str(kind) for kind in line.ended_by),
            line.probe,
        )
        for line in lines
    )


def colony_now(colony: Colony) -> ColonyNow:
    """A colony with where it lives, or lived last."""
    counted_ms, workers = colony.counts[-1] if colony.counts else (None, None)
    return ColonyNow(
        name=colony.name,
        species=colony.species,
        stage=str(colony.stage or ""),
        nests=tuple((stay.nest, stay.from_ms) for stay in colony.stays),
        workers=workers,
        counted_ms=counted_ms,
        counts=len(colony.counts),
        died_ms=colony.died_at_ms,
    )
