"""Nests, probes and hubs that the keeper takes out of service: quiet, logged, and told when they are back."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sensord.alarms.lifecycle import AlarmState
from sensord.alarms.log import AlarmLog
from sensord.alarms.watch import Watch
from sensord.cli import main
from sensord.clock import ManualClock, to_ms
from sensord.config import load_config
from sensord.db import open_db
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Reading
from sensord.wiring import Room


class Bench:
    """A station with two nests; its watch, and the keeper at the command line. Both nests are too dry when told so."""

    def __init__(self, folder: Path, clock: ManualClock) -> None:
        self.folder, self.clock = folder, clock
        (folder / "station.toml").write_text(
            '[station]\n[push]\n[[push.route]]\nname = "phone"\nurl_env = "X"\n', "utf-8"
        )
        self.room = Room(load_config(folder), clock)
        self.room.registry.put_nests([Nest(f"T{n}", NestKind.TUBE, "cellar", "A", "Lasius niger") for n in "12"])
        self.room.registry.put_placements([Placement(f"hub/p{n}", f"T{n}", "cellar", Place.WET_END, 0) for n in "12"])
        self.watch: Watch = self.room.watch()

    @property
    def log(self) -> AlarmLog:
        return self.room.alarm_log

    def minutes(self, count: int, rh_pct: float) -> None:
        for number in range(count):
            self.clock.advance(60)
            at_ms = to_ms(self.clock.now())
            self.room.store.write([Reading(f"hub/p{n}", at_ms, 24 + number % 7 / 1000, rh_pct) for n in "12"])
            self.watch.cycle()

    def titles(self) -> list[str]:
        rows = self.room.connection.execute("SELECT title FROM messages ORDER BY at_ms, id")
        return [title for (title,) in rows if "faulty" not in title]

    def states(self) -> dict[str | None, AlarmState]:
        return {alarm.nest: alarm.state for alarm in self.log.standing() if alarm.kind == AlarmKind.DRY}


@pytest.fixture
def bench(tmp_path: Path, clock: ManualClock) -> Bench:
    return Bench(tmp_path, clock)


def keeper(bench: Bench, capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """The command line, which has a clock of its own: the machine's. What it prints."""
    status = main(["--config", str(bench.folder), "alarms", *arguments])
    said = capsys.readouterr()
    assert status == 0, said.err
    return said.out


def test_a_nest_out_of_service_is_logged_and_not_told_until_it_is_back(bench: Bench) -> None:
    at_ms = to_ms(bench.clock.now())
    bench.log.take_out_of_service(taken("nest T1", at_ms))
    bench.minutes(30, 40.0)
    assert bench.states() == {"T1": AlarmState.OUT_OF_SERVICE, "T2": AlarmState.UNACKNOWLEDGED}
    assert bench.titles() == ["nest T2: too dry"]
    bench.log.bring_back_into_service("nest T1", to_ms(bench.clock.now()))
    bench.minutes(5, 40.0)
    assert bench.states() == {"T1": AlarmState.UNACKNOWLEDGED, "T2": AlarmState.UNACKNOWLEDGED}
    assert bench.titles() == ["nest T2: too dry", "nest T1: still too dry"]


def taken(subject: str, at_ms: int, until_ms: int | None = None):
    from sensord.alarms.aside import Taken

    return Taken(subject, at_ms, until_ms, "fresh tube", "keeper")


def test_what_stood_is_set_aside_at_once_and_ends_without_a_word(bench: Bench) -> None:
    bench.minutes(30, 40.0)
    at_ms = to_ms(bench.clock.now())
    found = bench.log.take_out_of_service(taken("probe hub/p1", at_ms))
    assert [(alarm.nest, alarm.state) for alarm in found] == [("T1", AlarmState.OUT_OF_SERVICE)]
    bench.minutes(40, 80.0)
    bench.log.bring_back_into_service("probe hub/p1", to_ms(bench.clock.now()))
    bench.minutes(2, 80.0)
    assert bench.log.standing() == []
    assert bench.log.get(found[0].id).state == AlarmState.NORMAL
    steps = [step.what for step in bench.log.transitions(found[0].id)]
    assert steps == ["raised", "out_of_service", "returned", "brought_back"]
    assert [title for title in bench.titles() if "T1" in title and title.startswith("Over")] == []


def test_an_end_brings_it_back_by_itself_and_a_whole_hub_is_one_subject(bench: Bench) -> None:
    at_ms = to_ms(bench.clock.now())
    bench.log.take_out_of_service(taken("hub hub", at_ms, at_ms + 3_600_000))
    bench.minutes(59, 40.0)
    assert bench.titles() == []
    bench.minutes(3, 40.0)
    assert set(bench.states().values()) == {AlarmState.UNACKNOWLEDGED}
    assert len(bench.titles()) == 1 or len(bench.titles()) == 2
    assert bench.log.out_of_service(to_ms(bench.clock.now())) == []


def test_a_shelf_that_ends_over_a_standing_alarm_is_told(bench: Bench) -> None:
    bench.minutes(20, 40.0)
    now_ms = to_ms(bench.clock.now())
    (alarm,) = [alarm for alarm in bench.log.standing() if alarm.nest == "T1" and alarm.kind == AlarmKind.DRY]
    bench.log.shelve(alarm.id, now_ms + 600_000, "tube is being changed", "keeper", now_ms)
    bench.minutes(15, 40.0)
    assert bench.titles().count("nest T1: still too dry") == 1


def test_the_commands_take_out_list_and_bring_back(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.minutes(20, 40.0)
    bench.room.connection.commit()
    found = json.loads(
        keeper(bench, capsys, "out-of-service", "T1", "--because", "new cotton", "--by", "Ann", "--json")
    )
    assert [(alarm["nest"], alarm["state"]) for alarm in found["alarms"]] == [("T1", "out_of_service")]
    keeper(bench, capsys, "out-of-service", "hub/p2", "--because", "salt test", "--for", "2h")
    listed = keeper(bench, capsys)
    assert "out of service: nest T1 since" in listed
    assert listed.count(" until ") == 2  # a day unless it was said: what is forgotten comes back by itself
    assert ": new cotton (Ann)" in listed
    assert "out of service: probe hub/p2" in listed
    keeper(bench, capsys, "in-service", "T1")
    keeper(bench, capsys, "in-service", "hub/p2")
    connection = open_db(bench.folder / "data" / "station.db")
    kept = connection.execute("SELECT subject, because FROM out_of_service ORDER BY 1").fetchall()
    connection.close()
    assert kept == [("nest T1", "new cotton"), ("probe hub/p2", "salt test")]
    assert "out of service:" not in keeper(bench, capsys)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["out-of-service", "T9", "--because", "x"], "'T9' is no nest, no probe that was placed and no hub"),
        (["out-of-service", "T1"], "nest T1: out of service needs a reason"),
        (["out-of-service"], "needs the name of a nest, a probe or a hub"),
        (["in-service", "T1"], "nest T1: is not out of service; out of service: nothing"),
        (["out-of-service", "T1", "--because", "x", "--for", "soon"], "--for 'soon': allowed is a number with m, h or d"),
    ],
)  # fmt: skip
def test_bad_commands_are_one_line_and_change_nothing(bench: Bench, capsys, arguments: list[str], says: str) -> None:
    assert main(["--config", str(bench.folder), "alarms", *arguments]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1
    assert bench.log.out_of_service(to_ms(bench.clock.now())) == []
