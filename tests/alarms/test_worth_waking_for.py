"""What is no reason to wake a keeper: saturated air where it belongs, what comes and goes, and half the news of one event."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC

import pytest

from sensord.alarms.conditions import Event, Raised, Returned, Worse
from sensord.alarms.deliveries import Deliveries
from sensord.alarms.lifecycle import AlarmState
from sensord.alarms.log import AlarmLog, News, born_alarm
from sensord.alarms.messages import compose
from sensord.alarms.replay import replay
from sensord.alarms.rules import ProbeRules
from sensord.alarms.standing import Standings
from sensord.alarms.swing import Swing
from sensord.alarms.teller import Teller, is_quiet, wait_ms
from sensord.alarms.tuning import Tuning
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, parse_instant, to_ms
from sensord.db import open_db, transaction
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Priority
from sensord.settings import RouteSettings
from sensord.store.base import Columns

JUNE = to_ms(parse_instant("2026-06-01T00:00:00Z"))
JANUARY = to_ms(parse_instant("2026-01-10T00:00:00Z"))
KEEPING = Keeping(load_species(None))
# Lasius niger: wet end 55 to 100 %RH, dry end 30 to 98; 10 to 34 °C, at rest 0 to 14 °C
CONDENSED = "probe hub/p1 has been at 99.5 %RH or above for a quarter of an hour at 0x44"


def rules(place: Place = Place.WET_END, *, since_ms: int = 0, nest: str | None = "T1", other: str = "") -> ProbeRules:
    nests = [Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")]
    nests += [Nest("T2", NestKind.TUBE, "cellar", "A", other)] if other else []
    standings = Standings([Placement("hub/p1", nest, "cellar", place, since_ms)], nests, KEEPING)
    return ProbeRules("hub/p1", Tuning(), standings.of)


def feed(
    probe: ProbeRules,
    values: Sequence[tuple[float, float]],
    *,
    from_min: float = 0,
    start_ms: int = JUNE,
    every: int = 1,
) -> list[Event]:
    """Readings every so many minutes, each a trifle different from the last so that nothing looks stuck."""
    events = []
    for number, (temp_c, rh_pct) in enumerate(values):
        at_ms = start_ms + round((from_min + number * every) * MINUTE_MS)
        events += probe.read(at_ms, temp_c + number % 7 / 1e3, rh_pct)
    return events


def told(events: Sequence[Event]) -> list[tuple[str, AlarmKind, float]]:
    """Sort, kind and minutes since the first of June."""
    return [(type(event).__name__, event.kind, (event.at_ms - JUNE) / MINUTE_MS) for event in events]


def test_a_probe_at_the_wet_end_may_read_saturated_air_for_days() -> None:
    """98 %RH and a probe that reads 2 too many (Sensirion SHT3x data sheet: ±2 %RH) is not a probe to be dried."""
    assert feed(rules(), [(24, 99.8)] * (6 * 24 * 6), every=10) == []


def test_a_week_of_saturated_air_at_the_wet_end_is_told_once_and_over_a_deadband_lower() -> None:
    probe = rules()
    week = feed(probe, [(24, 100.0)] * (7 * 24 * 6 + 2), every=10)
    minute = (7 * 24 * 6 + 2) * 10
    between = feed(probe, ([(24, 99.0)] * 20 + [(24, 100.0)] * 20) * 5, from_min=minute)
    dried = feed(probe, [(24, 96.0)] * 15, from_min=minute + 200)
    assert told(week) == [("Raised", AlarmKind.FAULTY, 7 * DAY_MS / MINUTE_MS)]
    assert between == []
    assert told(dried) == [("Returned", AlarmKind.FAULTY, minute + 210)]


def test_elsewhere_six_hours_of_saturated_air_mean_a_wet_probe() -> None:
    events = feed(rules(Place.DRY_END), [(24, 100.0)] * 400)
    assert told(events) == [("Raised", AlarmKind.WET, 15), ("Raised", AlarmKind.FAULTY, 360)]
    almost = feed(rules(Place.DRY_END), ([(24, 100.0)] * 350 + [(24, 99.4)]) * 2)
    assert [event.kind for event in almost] == [AlarmKind.WET]


def test_the_hubs_word_on_saturated_air_waits_for_the_rule_of_the_place() -> None:
    """It says so after a quarter of an hour, and a scan may come every twenty minutes only."""
    for every in (1, 20):
        probe = rules()
        events = feed(probe, [(24, 99.9)] * 20, every=every)
        probe.report(JUNE + 20 * every * MINUTE_MS, CONDENSED)
        for number in range(20, 120):
            at_ms = JUNE + number * every * MINUTE_MS
            events += probe.tick(at_ms - 1) + probe.read(at_ms, 24 + number % 7 / 1e3, 99.9)
        assert events == []


def test_a_saturated_probe_that_falls_silent_is_told_in_the_hubs_words() -> None:
    probe = rules()
    feed(probe, [(24, 99.9)] * 20)
    probe.report(JUNE + 20 * MINUTE_MS, CONDENSED)
    feed(probe, [(24, 99.9)] * 20, from_min=20)
    assert probe.tick(JUNE + 53 * MINUTE_MS) == []
    (event,) = probe.tick(JUNE + 54 * MINUTE_MS)
    assert isinstance(event, Raised)
    assert (event.kind, event.priority, event.detail) == (AlarmKind.FAULTY, Priority.MEDIUM, CONDENSED)


def test_what_the_hub_says_beside_saturated_air_counts_once_the_air_is_dry_again() -> None:
    probe = rules()
    feed(probe, [(24, 99.9)] * 20)
    probe.report(JUNE + 20 * MINUTE_MS, "probe hub/p1 has restarted by itself at 0x44; its supply dips")
    events = feed(probe, [(24, 99.9)] * 20, from_min=20) + feed(probe, [(24, 90.0)] * 10, from_min=40)
    assert told(events) == [("Raised", AlarmKind.FAULTY, 44)]


def test_a_gap_does_not_end_a_fault() -> None:
    probe = rules(Place.DRY_END)
    feed(probe, [(24, 100.0)] * 400)
    after = feed(probe, [(24, 100.0)] * 60, from_min=400 + 180)
    assert [(kind, sort) for sort, kind, _ in told(after)] == [
        (AlarmKind.SILENT, "Raised"), (AlarmKind.SILENT, "Returned"),
    ]  # fmt: skip


def test_a_fridges_own_air_rests_with_its_nests() -> None:
    """A room whose nests all rest: a defrost of twenty minutes is neither heat nor swing; a warm hour and more is heat."""
    defrost = ([(5, 60)] * 100 + [(18, 60)] * 20) * 4
    assert feed(rules(Place.ROOM, nest=None), defrost, start_ms=JANUARY) == []
    warm = feed(rules(Place.ROOM, nest=None), [(5, 60)] * 60 + [(18, 60)] * 70, start_ms=JANUARY)
    assert [(event.kind, event.priority) for event in warm] == [(AlarmKind.HOT, Priority.LOW)]


def test_a_room_in_which_one_nest_does_not_rest_does_not_rest() -> None:
    kinds = {
        event.kind
        for event in feed(
            rules(Place.ROOM, nest=None, other="Atta sexdens"), [(20, 60)] * 30 + [(31, 60)] * 30, start_ms=JANUARY
        )
    }
    assert kinds == {AlarmKind.SWING}


def test_a_nest_that_was_carried_elsewhere_may_follow_its_new_air_for_an_hour() -> None:
    climb = [(12 + min(number, 30) / 2, 80) for number in range(150)]
    assert feed(rules(since_ms=JUNE), climb) == []
    assert [event.kind for event in feed(rules(since_ms=JUNE - HOUR_MS), climb)] == [AlarmKind.SWING, AlarmKind.SWING]


def test_what_is_too_hot_is_not_told_as_a_swing_as_well() -> None:
    """Up within minutes and back again, then an hour and a half of peace: heat, over, and no swing of its own after it."""
    values = [(24, 80)] * 60 + [(36, 80)] * 60 + [(24, 80)] * 150
    assert [event.kind for event in feed(rules(), values)] == [AlarmKind.HOT, AlarmKind.HOT]


def test_a_swing_counts_again_an_hour_after_the_heat() -> None:
    values = [(24, 80)] * 60 + [(36, 80)] * 60 + [(24, 80)] * 130 + [(32, 80)] * 30
    kinds = [event.kind for event in feed(rules(), values)]
    assert kinds == [AlarmKind.HOT, AlarmKind.HOT, AlarmKind.SWING]


def test_nobody_can_tell_a_swing_from_the_first_samples() -> None:
    """A door that stood open just after the first reading."""
    swing = Swing()
    assert [
        swing.take(n * 5 * MINUTE_MS, temp, MINUTE_MS) for n, temp in enumerate([24.0, 14.0, 24.0, 24.0, 24.0])
    ] == [0.0] * 5
    assert swing.take(25 * MINUTE_MS, 14.0, MINUTE_MS) == 0.0


def test_an_alarm_that_keeps_coming_back_has_to_be_over_for_twice_as_long_each_time() -> None:
    """Too hot for twenty minutes, well for so many: off-delays of 10, 20, 40, 80 and 160 minutes, and no longer."""
    probe, minute, lasted = rules(), 0, []
    for well in (12, 22, 42, 82, 162, 162):
        feed(probe, [(36, 80)] * 20, from_min=minute)
        events = feed(probe, [(24, 80)] * well, from_min=minute + 20)
        lasted += [(event.at_ms - JUNE) / MINUTE_MS - minute - 20 for event in events if isinstance(event, Returned)]
        minute += 20 + well
    assert lasted == [10, 20, 40, 80, 160, 160]


def test_what_comes_back_within_the_longer_delay_is_not_told_again() -> None:
    hour = [(36, 80)] * 25 + [(24, 80)] * 35
    raised = [event for event in feed(rules(), hour * 12) if isinstance(event, Raised)]
    assert [event.kind for event in raised] == [AlarmKind.HOT] * 3


def test_two_hours_of_peace_and_the_first_delay_holds_again() -> None:
    probe = rules()
    feed(probe, ([(36, 80)] * 20 + [(24, 80)] * 30) * 2)
    events = feed(probe, [(24, 80)] * 130 + [(36, 80)] * 20 + [(24, 80)] * 30, from_min=100)
    ended = [event.at_ms for event in events if isinstance(event, Returned)]
    assert [(at_ms - JUNE) / MINUTE_MS for at_ms in ended] == [100 + 150 + 10]


def test_how_often_it_came_back_survives_a_restart_and_not_a_move() -> None:
    probe = rules()
    feed(probe, [(36, 80)] * 20 + [(24, 80)] * 30)
    again = rules()
    again.load(probe.save())
    events = feed(again, [(36, 80)] * 20 + [(24, 80)] * 30, from_min=50)
    assert told(events)[-1] == ("Returned", AlarmKind.HOT, 50 + 20 + 20)


@pytest.mark.parametrize(
    ("told_so_far", "minutes", "urgent_minutes"),
    [(0, 0, 0), (2, 0, 0), (3, 10, 1), (4, 20, 2), (5, 30, 4), (6, 30, 8), (7, 30, 10), (60, 30, 10)],
)
def test_each_further_message_of_a_topic_waits_longer(told_so_far: int, minutes: int, urgent_minutes: int) -> None:
    assert wait_ms(told_so_far, urgent=False) == minutes * MINUTE_MS
    assert wait_ms(told_so_far, urgent=True) == urgent_minutes * MINUTE_MS


class Told:
    """An alarm log with a teller in memory; alarms of nests of one room. High ones are told again every hour, and what
    nobody acknowledged for half an hour goes to the neighbour."""

    def __init__(self, quiet: tuple[str, str] = ("", "")) -> None:
        self.connection = open_db(":memory:")
        self.log = AlarmLog(self.connection)
        routes = [RouteSettings("phone"), RouteSettings("neighbour", escalation=True)]
        self.teller = Teller(
            self.log, Deliveries(self.connection), routes, UTC, "http://wall",
            quiet=quiet, remind_ms=HOUR_MS, escalate_ms=HOUR_MS // 2,
        )  # fmt: skip

    def insist(self, minute: float) -> None:
        with transaction(self.connection):
            self.teller.insist(JUNE + round(minute * MINUTE_MS))

    def take(self, *events: Event) -> None:
        with transaction(self.connection):
            self.teller.hear([news for event in events if (news := self.log.take(event, None)) is not None])

    def raise_(self, nest: int, minute: float, priority: Priority = Priority.MEDIUM) -> None:
        at_ms = JUNE + round(minute * MINUTE_MS)
        self.take(Raised(f"hub/p{nest}", f"T{nest}", AlarmKind.COLD, priority, at_ms, 5.0, 10.0))

    def end(self, nest: int, minute: float) -> None:
        self.take(Returned(f"hub/p{nest}", f"T{nest}", AlarmKind.COLD, JUNE + round(minute * MINUTE_MS), 5.0))

    def tell(self, minute: float) -> None:
        with transaction(self.connection):
            self.teller.tell(JUNE + round(minute * MINUTE_MS))

    def messages(self) -> list[tuple[float, str]]:
        rows = self.connection.execute("SELECT at_ms, title FROM messages ORDER BY at_ms").fetchall()
        return [((at_ms - JUNE) / MINUTE_MS, title) for at_ms, title in rows]


def test_an_event_that_takes_hours_is_told_ever_more_rarely_and_completely() -> None:
    """A fridge that gets too cold, its sixty nests one by one every five minutes: some fifteen messages tell of every nest."""
    room = Told()
    for minute in range(360):
        if minute % 5 == 0 and minute < 300:
            room.raise_(minute // 5, minute)
        room.tell(minute)
    begun = [minute for minute, _ in room.messages()]
    assert begun[:7] == [0, 5, 10, 20, 40, 70, 100]
    assert len(begun) <= 16
    assert room.connection.execute("SELECT count(*) FROM message_alarms").fetchone() == (60,)


def test_an_all_clear_waits_until_the_rest_is_over_too() -> None:
    room = Told()
    for nest in range(3):
        room.raise_(nest, 0, Priority.HIGH)
    room.tell(0)
    room.end(0, 30)
    room.tell(30)
    room.end(1, 50)
    room.tell(50)
    assert len(room.messages()) == 1
    room.end(2, 70)
    room.tell(70)
    assert room.messages()[1:] == [(70, "Over: 3 nests of hub hub too cold")]


def test_an_all_clear_waits_an_hour_at_most() -> None:
    room = Told()
    for nest in range(2):
        room.raise_(nest, 0)
    room.tell(0)
    room.end(0, 30)
    for minute in range(30, 100):
        room.tell(minute)
    assert room.messages()[1:] == [(90, "Over: nest T0 too cold")]


def test_an_all_clear_does_not_wait_for_what_is_set_aside() -> None:
    room = Told()
    for nest in range(2):
        room.raise_(nest, 0)
    room.tell(0)
    (shelved,) = [alarm for alarm in room.log.standing() if alarm.nest == "T1"]
    room.log.shelve(shelved.id, JUNE + 10 * HOUR_MS, "being mended", "keeper", JUNE)
    room.end(0, 30)
    room.tell(30)
    assert room.messages()[1:] == [(30, "Over: nest T0 too cold")]


@pytest.mark.parametrize(
    ("places", "says"),
    [
        ((Place.ROOM,), "First: Look at the humidifier"),
        ((Place.OUTWORLD, Place.ROOM), "First: Look at the humidifier"),
        ((Place.OUTWORLD, Place.WET_END), "First: Look at the reservoir and the cotton"),
    ],
)
def test_a_dry_room_sends_nobody_to_the_cotton_of_a_tube(places: Sequence[Place], says: str) -> None:
    alarms = [
        replace(
            born_alarm(Raised(f"hub/p{n}", None, AlarmKind.DRY, Priority.MEDIUM, JUNE, 12.0, 15.0), None), place=place
        )
        for n, place in enumerate(places)
    ]
    assert says in compose([News("raised", alarm) for alarm in alarms], JUNE, UTC, "http://wall").body


def test_a_fridge_that_freezes_its_nests_sends_the_keeper_to_the_cooling_as_well() -> None:
    event = Raised("hub/p1", "T1", AlarmKind.COLD, Priority.MEDIUM, JUNE, -3.0, 0.0)
    assert (
        "at rest: see to the cooling"
        in compose([News("raised", born_alarm(event, None))], JUNE, UTC, "http://wall").body
    )


def test_the_same_point_raised_again_while_it_stands_is_the_same_alarm() -> None:
    """As after a watch that lost what it had worked out: another instant, another id, but nothing new to tell."""
    room = Told()
    room.raise_(1, 0)
    room.raise_(1, 7)
    room.tell(10)
    assert [alarm.raised_ms for alarm in room.log.since(0)] == [JUNE]
    assert [title for _, title in room.messages()] == ["nest T1: too cold"]


def test_moved_probes_forget_how_often_an_alarm_came_back() -> None:
    """Another nest, another story: there the first off-delay holds."""
    move_ms = JUNE + 60 * MINUTE_MS
    nests = [Nest(name, NestKind.TUBE, "cellar", "A", "Lasius niger") for name in ("T1", "T2")]
    placements = [
        Placement("hub/p1", "T1", "cellar", Place.WET_END, 0, move_ms),
        Placement("hub/p1", "T2", "cellar", Place.WET_END, move_ms),
    ]
    probe = ProbeRules("hub/p1", Tuning(), Standings(placements, nests, KEEPING).of)
    feed(probe, [(36, 80)] * 20 + [(24, 80)] * 40)
    events = feed(probe, [(36, 80)] * 20 + [(24, 80)] * 15, from_min=61)
    assert told(events)[-1] == ("Returned", AlarmKind.HOT, 61 + 20 + 10)


def test_what_is_raised_again_on_its_shelf_is_born_there_and_not_told() -> None:
    room = Told()
    room.raise_(1, 0)
    room.tell(0)
    (first,) = room.log.standing()
    room.log.shelve(first.id, JUNE + 2 * HOUR_MS, "being mended", "keeper", JUNE + MINUTE_MS)
    room.end(1, 30)
    room.raise_(1, 60)
    room.tell(60)
    (again,) = room.log.standing()
    assert (again.aside, again.aside_because, again.aside_until_ms) == (
        AlarmState.SHELVED,
        "being mended",
        JUNE + 2 * HOUR_MS,
    )
    assert len(room.messages()) == 1
    room.end(1, 90)
    room.raise_(1, 121)
    assert room.log.standing()[0].aside is None


def test_an_earlier_alarm_of_the_point_asks_for_no_word_once_it_is_raised_again() -> None:
    room = Told()
    room.raise_(1, 0)
    room.end(1, 30)
    room.raise_(1, 60)
    assert [alarm.raised_ms for alarm in room.log.active()] == [JUNE + 60 * MINUTE_MS]


def test_growing_worse_without_gaining_priority_is_no_news_and_gaining_it_is() -> None:
    room = Told()
    room.raise_(1, 0)
    room.tell(0)
    for minute, priority, news in ((5, Priority.MEDIUM, 1), (6, Priority.LOW, 1), (7, Priority.HIGH, 2)):
        room.take(Worse("hub/p1", "T1", AlarmKind.COLD, priority, JUNE + minute * MINUTE_MS, -1.0, 10.0))
        room.tell(minute)
        assert len(room.messages()) == news
    assert room.log.standing()[0].priority == Priority.HIGH


def test_who_acknowledged_the_lesser_alarm_has_not_seen_the_urgent_one_and_the_first_to_see_it_counts() -> None:
    room = Told()
    room.raise_(1, 0)
    (alarm,) = room.log.standing()
    room.log.acknowledge(alarm.id, JUNE + MINUTE_MS, "keeper")
    room.log.acknowledge(alarm.id, JUNE + 2 * MINUTE_MS, "neighbour")
    assert room.log.get(alarm.id).acknowledged_by == "keeper"
    room.take(Worse("hub/p1", "T1", AlarmKind.COLD, Priority.HIGH, JUNE + 5 * MINUTE_MS, -1.0, 10.0))
    assert room.log.get(alarm.id).state == AlarmState.UNACKNOWLEDGED


def test_a_reading_at_the_very_instant_of_the_last_one_is_not_evaluated() -> None:
    """The key of a reading is probe and instant: the first one counts."""
    probe = rules()
    feed(probe, [(24, 80)] * 30)
    assert probe.read(JUNE + 29 * MINUTE_MS, 60.0, 80) == []
    assert probe.tick(JUNE + 31 * MINUTE_MS) == []


def test_a_probe_read_every_ten_minutes_is_silent_after_three_missed_readings() -> None:
    probe = rules()
    feed(probe, [(24, 80)] * 12, every=10)
    assert probe.tick(JUNE + (110 + 29) * MINUTE_MS) == []
    assert [event.kind for event in probe.tick(JUNE + (110 + 30) * MINUTE_MS)] == [AlarmKind.SILENT]


def test_far_too_hot_is_told_once_however_long_it_lasts() -> None:
    events = feed(rules(), [(24, 80)] * 5 + [(39, 80)] * 60)
    events += feed(rules(), [(24, 80)] * 5 + [(35, 80)] * 10 + [(39, 80)] * 60)
    assert [type(event).__name__ for event in events] == ["Raised", "Raised", "Worse"]


def test_what_pended_where_a_probe_stood_is_forgotten_where_it_stands_now() -> None:
    """Ten minutes too dry in one nest and ten in the next make no quarter of an hour in either."""
    move_ms = JUNE + 10 * MINUTE_MS
    nests = [Nest(name, NestKind.TUBE, "cellar", "A", "Lasius niger") for name in ("T1", "T2")]
    placements = [
        Placement("hub/p1", "T1", "cellar", Place.WET_END, 0, move_ms),
        Placement("hub/p1", "T2", "cellar", Place.WET_END, move_ms),
    ]
    probe = ProbeRules("hub/p1", Tuning(), Standings(placements, nests, KEEPING).of)
    assert feed(probe, [(24, 50)] * 20 + [(24, 80)] * 20) == []


def test_what_stands_where_a_probe_stood_is_raised_anew_where_it_stands_now() -> None:
    move_ms = JUNE + 60 * MINUTE_MS
    nests = [Nest(name, NestKind.TUBE, "cellar", "A", "Lasius niger") for name in ("T1", "T2")]
    placements = [
        Placement("hub/p1", "T1", "cellar", Place.WET_END, 0, move_ms),
        Placement("hub/p1", "T2", "cellar", Place.WET_END, move_ms),
    ]
    probe = ProbeRules("hub/p1", Tuning(), Standings(placements, nests, KEEPING).of)
    events = feed(probe, [(24, 50)] * 80)
    assert [(each.nest, minute) for each, (_, _, minute) in zip(events, told(events), strict=True)] == [
        ("T1", 15), ("T1", 60), ("T2", 75),
    ]  # fmt: skip


def test_what_pended_before_a_time_nobody_watched_is_forgotten() -> None:
    probe = rules()
    feed(probe, [(24, 50)] * 12)
    probe.skip_to(JUNE + 15 * MINUTE_MS)
    assert feed(probe, [(24, 50)] * 5, from_min=15) == []


def test_a_clock_that_goes_back_leaves_no_probe_unread() -> None:
    probe = rules()
    feed(probe, [(24, 80)] * 90)
    probe.step(-HOUR_MS, JUNE + 30 * MINUTE_MS)
    assert [event.kind for event in feed(probe, [(24, 50)] * 20, from_min=31)] == [AlarmKind.DRY]


@pytest.mark.parametrize(("minute", "quiet"), [(779, False), (780, True), (899, True), (900, False)])
def test_quiet_hours_end_with_their_last_minute(minute: int, quiet: bool) -> None:
    assert is_quiet(("13:00", "15:00"), JUNE + minute * MINUTE_MS, UTC) == quiet


def test_news_of_a_dozen_topics_at_once_is_no_flood() -> None:
    """A flood begins above ten within ten minutes (ANSI/ISA-18.2): eight leave, the rest ten minutes later."""
    room = Told()
    for hub in range(12):
        room.take(Raised(f"hub-{hub}/p", f"T{hub}", AlarmKind.SILENT, Priority.MEDIUM, JUNE, 900.0, 900.0))
    for minute in range(15):
        room.tell(minute)
    assert [minute for minute, _ in room.messages()] == [0] * 8 + [10] * 4


def test_a_reminder_comes_an_hour_after_the_keeper_was_told_whoever_else_was_called_meanwhile() -> None:
    room = Told()
    room.raise_(1, 0, Priority.HIGH)
    for minute in range(0, 65, 5):
        room.tell(minute)
        room.insist(minute)
    assert room.messages() == [
        (0, "URGENT: nest T1: too cold"),
        (35, "URGENT: nest T1: too cold, and nobody has acknowledged it"),
    ]
    room.tell(65)
    assert room.messages()[2:] == [(65, "URGENT: nest T1: still too cold")]


def test_what_was_acknowledged_before_the_quiet_hours_end_calls_nobody_after_them() -> None:
    room = Told(quiet=("00:20", "06:00"))
    room.raise_(1, 0)
    room.tell(0)
    room.insist(40)
    room.tell(40)
    (alarm,) = room.log.standing()
    room.log.acknowledge(alarm.id, JUNE + 50 * MINUTE_MS, "keeper")
    room.tell(361)
    assert room.messages() == [(0, "nest T1: too cold")]


def test_two_pieces_of_news_of_one_alarm_are_one_line() -> None:
    room = Told()
    room.raise_(1, 0)
    room.take(Worse("hub/p1", "T1", AlarmKind.COLD, Priority.HIGH, JUNE + MINUTE_MS, -1.0, 10.0))
    room.tell(1)
    (body,) = room.connection.execute("SELECT body FROM messages").fetchone()
    assert body.count("nest T1") == 1


class Stored:
    """Two probes; the readings of both end an hour in."""

    def probes(self) -> list[str]:
        return ["hub/p1", "hub/p2"]

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        at_ms = array("q", range(from_ms, from_ms + HOUR_MS, MINUTE_MS))
        return Columns(at_ms, array("d", (24 + n % 7 / 1e3 for n in range(60))), array("d", [80.0] * 60))


def test_a_replay_calls_nobody_silent_after_the_newest_reading_of_all() -> None:
    """Beyond it nothing is known: the file may just end there."""
    nest = Nest("T1", NestKind.TUBE, "cellar", "A", "Lasius niger")
    placements = [Placement(probe, "T1", "cellar", Place.WET_END, 0) for probe in ("hub/p1", "hub/p2")]
    assert replay(Stored(), Standings(placements, [nest], KEEPING), Tuning(), JUNE, JUNE + DAY_MS).alarms == []
