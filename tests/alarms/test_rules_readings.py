"""Rules: deadband and delays as OPC 10000-9, Annex B.1.5, describes them, and what a probe's readings lead to."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import pytest

from sensord.alarms.conditions import Delays, Event, Raised, Returned, Worse
from sensord.alarms.engine import tuning_of
from sensord.alarms.rules import ProbeRules
from sensord.alarms.standing import Standings
from sensord.alarms.tuning import Tuning
from sensord.clock import HOUR_MS, MINUTE_MS, SECOND_MS, parse_instant, to_ms
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Priority
from sensord.settings import AlarmSettings

START = to_ms(parse_instant("2026-06-01T00:00:00Z"))
LIBRARY = load_species(None)
NEST = Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")
# Lasius niger, active, wet end: limits 10 and 34 °C, 55 and 100 %RH


def rules(placements: Sequence[Placement] = (), **changes) -> ProbeRules:
    placements = placements or [Placement("hub/p1", "T1", "cellar", Place.WET_END, 0)]
    standings = Standings(placements, [NEST], Keeping(LIBRARY), died_ms=changes.pop("died_ms", {}))
    return ProbeRules("hub/p1", Tuning(**changes), standings.of)


def feed(
    probe: ProbeRules, values: Sequence[tuple[float | None, float | None]], *, from_min: float = 0, every_s: float = 60
) -> list[Event]:
    """Readings at a steady pace, each a trifle different from the last so that nothing looks stuck."""
    events = []
    for number, (temp_c, rh_pct) in enumerate(values):
        at_ms = START + round(from_min * MINUTE_MS + number * every_s * SECOND_MS)
        jitter = (number % 7) * 0.00123
        events += probe.read(at_ms, None if temp_c is None else temp_c + jitter, rh_pct)
    return events


def minutes(event: Event) -> float:
    return (event.at_ms - START) / MINUTE_MS


def test_an_alarm_is_raised_only_after_the_value_was_beyond_for_the_whole_on_delay() -> None:
    events = feed(rules(), [(24, 80)] * 10 + [(24, 50)] * 30)
    assert [(type(event), event.kind, minutes(event)) for event in events] == [(Raised, AlarmKind.DRY, 25)]


def test_a_value_that_recovers_within_the_on_delay_raises_nothing() -> None:
    assert feed(rules(), ([(24, 80)] * 5 + [(24, 50)] * 14) * 10) == []


def test_the_deadband_holds_back_clearing_only() -> None:
    """Limit 55 %RH, deadband 3: 54.9 raises, 57.9 does not clear, 58.1 does, after the off-delay."""
    probe = rules()
    raised = feed(probe, [(24, 54.9)] * 17)
    held = feed(probe, [(24, 57.9)] * 60, from_min=17)
    cleared = feed(probe, [(24, 58.1)] * 17, from_min=77)
    assert [event.kind for event in raised] == [AlarmKind.DRY]
    assert held == []
    assert [(type(event), minutes(event)) for event in cleared] == [(Returned, 77 + 15)]


def test_the_off_delay_starts_anew_when_the_value_falls_back() -> None:
    probe = rules()
    feed(probe, [(24, 50)] * 17)
    assert feed(probe, ([(24, 70)] * 14 + [(24, 50)]) * 4, from_min=17) == []


def test_a_very_hot_nest_is_told_within_a_minute_and_urgent() -> None:
    """Limit 34 °C, margin 3: 38 °C counts as very hot."""
    probe = rules()
    feed(probe, [(30, 80)] * 10)
    found = feed(probe, [(38, 80)], from_min=10) + probe.tick(START + 11 * MINUTE_MS)
    hot = [event for event in found if event.kind == AlarmKind.HOT]
    assert [(type(event), event.priority) for event in hot] == [(Raised, Priority.HIGH)]
    assert minutes(hot[0]) <= 11


def test_a_hot_nest_that_becomes_very_hot_gains_priority_once() -> None:
    probe = rules()
    events = feed(probe, [(32, 80)] * 5 + [(35, 80)] * 10 + [(38, 80)] * 20 + [(35, 80)] * 5 + [(38, 80)] * 10)
    assert [(type(event), event.priority) for event in events if event.kind == AlarmKind.HOT] == [
        (Raised, Priority.MEDIUM),
        (Worse, Priority.HIGH),
    ]


def test_readings_at_or_before_the_last_evaluated_one_change_nothing() -> None:
    probe = rules()
    feed(probe, [(24, 80)] * 60)
    assert feed(probe, [(50, 5)] * 60) == []


def test_a_gap_proves_nothing_either_way() -> None:
    """Beyond before and beyond after six hours of nothing is not six hours beyond."""
    probe = rules()
    before = feed(probe, [(24, 80)] * 5 + [(24, 50)] * 10)
    after = feed(probe, [(24, 50)] * 14, from_min=15 + 360)
    assert [event.kind for event in before + after] == [AlarmKind.SILENT, AlarmKind.SILENT]


def test_a_probe_without_readings_is_silent_and_returns_with_them() -> None:
    probe = rules()
    feed(probe, [(24, 80)] * 10)
    silent = probe.tick(START + 40 * MINUTE_MS)
    back = feed(probe, [(24, 80)] * 5, from_min=41)
    assert [(type(event), event.kind, minutes(event)) for event in silent + back] == [
        (Raised, AlarmKind.SILENT, 9 + 15),
        (Returned, AlarmKind.SILENT, 41 + 2),
    ]


def test_a_logger_that_reads_hourly_is_not_called_silent_and_still_raises() -> None:
    events = feed(rules(), [(24, 80)] * 10 + [(24, 50)] * 3, every_s=3600)
    assert [event.kind for event in events] == [AlarmKind.DRY]


def test_a_step_of_the_clock_makes_no_probe_silent() -> None:
    probe = rules()
    feed(probe, [(24, 80)] * 10)
    probe.step(HOUR_MS, START + 2 * HOUR_MS)
    assert probe.tick(START + 10 * MINUTE_MS + HOUR_MS) == []


def test_a_missing_quantity_leaves_the_other_at_work_and_is_a_fault_when_it_lasts() -> None:
    events = feed(rules(), [(24, 80)] * 5 + [(36, None)] * 30)
    assert {event.kind for event in events} == {AlarmKind.HOT, AlarmKind.FAULTY}


def test_a_value_no_nest_can_have_is_not_a_hot_nest() -> None:
    """Raw 0xFFFF of an SHT31 decodes to 130 °C and 100 %RH (Sensirion SHT3x datasheet, conversion formulas)."""
    events = feed(rules(), [(24, 80)] * 5 + [(130.0, 100.0)] * 30)
    assert [event.kind for event in events] == [AlarmKind.FAULTY]


def test_a_stuck_probe_is_faulty() -> None:
    probe = rules()
    events = []
    for number in range(150):
        events += probe.read(START + number * MINUTE_MS, 24.123, 80.456)
    assert [(event.kind, minutes(event)) for event in events] == [(AlarmKind.FAULTY, 120)]


def test_a_swing_within_an_hour_is_told() -> None:
    temps = [20 + number / 6 for number in range(70)]
    events = feed(rules(), [(temp, 80) for temp in temps])
    assert [event.kind for event in events] == [AlarmKind.SWING]


def test_a_moved_probe_takes_no_alarm_along() -> None:
    move_ms = START + 60 * MINUTE_MS
    probe = rules([
        Placement("hub/p1", "T1", "cellar", Place.WET_END, 0, move_ms),
        Placement("hub/p1", "T2", "cellar", Place.WET_END, move_ms),
    ])  # fmt: skip
    events = feed(probe, [(24, 50)] * 70)
    assert [(type(event), event.nest, minutes(event)) for event in events] == [(Raised, "T1", 15), (Returned, "T1", 60)]


def test_nothing_is_raised_for_a_dead_colony() -> None:
    assert feed(rules(died_ms={"T1": [START - 1]}), [(50, 5)] * 60) == []


def test_a_warm_fridge_is_seen_in_winter_rest_and_is_not_urgent() -> None:
    """Lasius niger at rest: limit 14 °C; 16 °C in January."""
    probe = rules()
    january = to_ms(parse_instant("2026-01-10T00:00:00Z"))
    events = [
        event for number in range(70) for event in probe.read(january + number * MINUTE_MS, 16 + number / 1e3, 80)
    ]
    assert [(event.kind, event.priority) for event in events] == [(AlarmKind.HOT, Priority.LOW)]


def test_saved_and_loaded_at_any_reading_the_same_alarms_follow() -> None:
    values = [(24, 80)] * 5 + [(38, 50)] * 25 + [(24, 80)] * 40
    whole = feed(rules(), values)
    for cut in range(1, len(values), 4):
        first = rules()
        events = feed(first, values[:cut])
        second = rules()
        second.load(first.save())
        assert (
            events
            + [
                event
                for number in range(cut, len(values))
                for event in second.read(
                    START + number * MINUTE_MS, values[number][0] + (number % 7) * 0.00123, values[number][1]
                )
            ]
            == whole
        )


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_no_kind_can_chatter_under_any_settings(kind: AlarmKind) -> None:
    """Chattering is three raises within a minute (ANSI/ISA-18.2): on and off delays together last longer."""
    least = AlarmSettings(dry_after_s=60, wet_after_s=60, hot_after_s=60, cold_after_s=60)
    delays = tuning_of(least).delays[kind]
    assert delays.on_ms + delays.off_ms >= MINUTE_MS


def test_delays_that_could_chatter_are_refused() -> None:
    with pytest.raises(ValueError, match="together at least 60000 ms"):
        Delays(10 * SECOND_MS, 10 * SECOND_MS)


def test_a_value_that_dances_on_the_limit_raises_once() -> None:
    events = feed(rules(), [(24, rh) for rh in itertools.islice(itertools.cycle([54.5, 54.9, 56.5, 53.0, 57.0]), 600)])
    assert len(events) <= 1


def swings(temps: list[float], every_ms: int = MINUTE_MS, at_ms: int = START) -> list[AlarmKind]:
    """Alarms of a probe that reads these temperatures, wet and well otherwise."""
    probe = rules()
    found = [
        event for n, temp in enumerate(temps) for event in probe.read(at_ms + n * every_ms, temp + n % 7 / 1e3, 80)
    ]
    return [event.kind for event in found if isinstance(event, Raised)]


def test_a_door_that_was_opened_is_no_swing_and_a_mat_that_switches_hard_is() -> None:
    """Eight degrees down for eight minutes and back; then eight degrees up and down every half an hour."""
    assert swings([24.0] * 60 + [16.0] * 8 + [24.0] * 60) == []
    assert swings([24.0] * 60 + ([30.0] * 30 + [22.0] * 30) * 3) == [AlarmKind.SWING]


def test_a_fast_climb_is_a_swing_before_it_is_too_hot() -> None:
    """Eight degrees an hour from 20 °C: the limit of 34 °C is nearly two hours away."""
    assert swings([20 + n * 8 / 60 for n in range(75)]) == [AlarmKind.SWING]


def test_a_fridge_that_defrosts_is_neither_a_swing_nor_too_hot() -> None:
    """Lasius niger at rest, limit 14 °C: twenty minutes at 15 °C every eight hours; one that stays there is told."""
    january = to_ms(parse_instant("2026-01-10T00:00:00Z"))
    day = ([5.0] * 460 + [15.0] * 20) * 3
    assert swings(day, at_ms=january) == []
    assert swings([5.0] * 60 + [15.0] * 70, at_ms=january) == [AlarmKind.HOT]
