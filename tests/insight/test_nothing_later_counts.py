"""An answer as of an instant is the same whether or not anything was recorded later: outlook, round, review, losses, replay."""

from __future__ import annotations

import json
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from sensord.alarms.engine import tuning_of
from sensord.alarms.log import document
from sensord.alarms.replay import replay
from sensord.alarms.watch import standings_of
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, ManualClock, to_ms
from sensord.config import load_config
from sensord.insight import losses, outlook, review
from sensord.keeping.journal import AMOUNTS
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Reading
from sensord.wiring import Room

START = datetime(2026, 3, 1, tzinfo=UTC)
START_MS = to_ms(START)
DAYS = 24
NESTS = ("T1", "T2", "T3")

instants = st.integers(0, DAYS * 24 * 60 - 1).map(lambda minute: START_MS + minute * MINUTE_MS + minute % 997)


@st.composite
def entries(draw: st.DrawFn) -> Entry:
    kind = draw(st.sampled_from(EntryKind))
    amount = float(draw(st.integers(0, 12))) if kind in AMOUNTS or draw(st.booleans()) else None
    return Entry(
        draw(instants), draw(st.sampled_from(NESTS)), kind, amount, AMOUNTS[kind].unit if kind in AMOUNTS else ""
    )


@st.composite
def rooms(draw: st.DrawFn) -> tuple[list[Nest], list[Placement], list[Entry], list[Reading]]:
    """Nests that come and move, probes that move, a journal, and air that jumps about, with gaps."""
    colonies = draw(st.permutations(("Ada", "Bea", "Cleo")))
    nests = [
        Nest(name, NestKind.TUBE, "loft", "A", "Lasius niger", colony, bore_mm=16.0)
        for name, colony in zip(NESTS, colonies, strict=True)
    ]
    for at_ms in draw(st.lists(instants, max_size=3, unique=True)):
        before = draw(st.sampled_from(nests[:3]))
        nests.append(
            replace(
                before,
                since_ms=at_ms,
                rack=draw(st.sampled_from("AB")),
                room=draw(st.sampled_from(("loft", "cellar"))),
                colony=draw(st.sampled_from(colonies)),
            )
        )
    placements = [Placement("r", None, "loft", Place.ROOM, START_MS)]
    for probe in ("a", "b"):
        moves = sorted({START_MS, *draw(st.lists(instants, max_size=2))})
        for since_ms, until_ms in zip(moves, [*moves[1:], None], strict=True):
            place = draw(st.sampled_from((Place.WET_END, Place.DRY_END, Place.OUTWORLD)))
            placements.append(Placement(probe, draw(st.sampled_from(NESTS)), "loft", place, since_ms, until_ms, 5.0))
    readings = []
    for probe in ("a", "b", "r"):
        levels = draw(st.lists(st.tuples(st.integers(8, 44), st.integers(20, 100)), min_size=DAYS, max_size=DAYS))
        gap, minute = draw(st.integers(0, DAYS)), draw(st.integers(0, 19))
        for third in range(DAYS * 72):
            temp_c, rh_pct = levels[third // 72]
            if third // 72 != gap:
                wave = (third * 7 % 24 - 12) / 12
                readings.append(
                    Reading(
                        probe, START_MS + (third * 20 + minute) * MINUTE_MS, temp_c + wave, min(100.0, rh_pct + wave)
                    )
                )
    return nests, placements, draw(st.lists(entries(), max_size=14)), readings


def told(
    folder: Path, given_: tuple[list[Nest], list[Placement], list[Entry], list[Reading]], at_ms: int, asked_first: int
) -> dict[str, Any]:
    """All answers as of an instant in a room that holds this, asked in a year, after an outlook as of another instant."""
    (folder / "station.toml").write_text("[station]\n", encoding="utf-8")
    room = Room(load_config(folder), ManualClock(START + timedelta(days=365)))
    nests, placements, journal, readings = given_
    room.registry.put_nests(nests)
    room.registry.put_placements(placements)
    room.registry.add_entries(journal)
    room.store.write(readings)
    room.store.maintain(to_ms(room.clock.now()))
    room.forecast.at(asked_first)
    reviews = [review.as_json(room.reviewing.review(name, at_ms, 10.0)) for name in NESTS]
    standings = standings_of(room.registry, room.keeping)
    played = replay(room.store, standings, tuning_of(room.config.alarms), at_ms - 6 * DAY_MS, at_ms)
    answers = {
        "outlook": outlook.as_json(room.forecast.at(at_ms), at_ms),
        "round": [str(line) for line in room.rounds.at(at_ms)],
        "reviews": reviews,
        "losses": losses.as_json(room.lives.losses(None, at_ms, "rack")),
        "replay": [document(alarm, []) for alarm in played.alarms],
    }
    room.store.close()
    room.connection.close()
    return json.loads(json.dumps(answers))


def by_then(
    given_: tuple[list[Nest], list[Placement], list[Entry], list[Reading]], at_ms: int
) -> tuple[list[Nest], list[Placement], list[Entry], list[Reading]]:
    """What anybody could know at that instant."""
    nests, placements, journal, readings = given_
    return (
        [one for one in nests if one.since_ms is None or one.since_ms <= at_ms],
        [
            replace(one, until_ms=None if one.until_ms is not None and one.until_ms > at_ms else one.until_ms)
            for one in placements
            if one.since_ms <= at_ms
        ],
        [one for one in journal if one.at_ms <= at_ms],
        [one for one in readings if one.at_ms <= at_ms],
    )


@pytest.mark.slow
@settings(
    max_examples=12, deadline=None, derandomize=True, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(rooms(), st.integers(8 * 24 * 60, (DAYS - 1) * 24 * 60), st.integers(0, DAYS + 9))
def test_what_came_later_changes_no_answer(given_, minute: int, asked_day: int) -> None:
    """To the last digit, but for the outlook's: a story that goes on from a checkpoint is rounded there, within a hundredth."""
    at_ms = START_MS + minute * MINUTE_MS
    with tempfile.TemporaryDirectory() as then, tempfile.TemporaryDirectory() as now:
        known = told(Path(then), by_then(given_, at_ms), at_ms, at_ms)
        later = told(Path(now), given_, at_ms, max(at_ms, START_MS + asked_day * DAY_MS + 3 * HOUR_MS))
    outlooks = known.pop("outlook")["nests"], later.pop("outlook")["nests"]
    assert known == later
    for one, other in zip(*outlooks, strict=True):
        for figures in ("water_left_ml", "days_left"):
            assert (one.pop(figures) or {}) == pytest.approx(other.pop(figures) or {}, rel=0.01, abs=0.05)
        assert (one.pop("runs_dry_at") is None) == (other.pop("runs_dry_at") is None)
        assert one == other
