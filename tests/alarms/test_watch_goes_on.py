"""What a room may lack without losing its watch: a nest that is gone, a species nobody wrote a file for."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sensord.alarms.watch import standings_of
from sensord.cli import main
from sensord.clock import ManualClock, to_ms
from sensord.config import load_config
from sensord.keeping.species import ANY
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement, Reading
from sensord.wiring import Room


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "station.toml").write_text("[station]\n", encoding="utf-8")
    for kind, name in (("nests", "gone"), ("colonies", "queen-9")):
        (tmp_path / kind).mkdir()
        text = "[active.wet_end]\nrh_pct = { limit_low = 65 }\n"
        (tmp_path / kind / f"{name}.toml").write_text(text, encoding="utf-8")
    return tmp_path


def minutes(room: Room, count: int) -> None:
    """Readings of both nests, too dry for anything, and the watch's looks at them."""
    watch = room.watch()
    for number in range(count):
        room.clock.advance(60)  # type: ignore[attr-defined]
        at_ms = to_ms(room.clock.now())
        room.store.write([Reading(f"p{nest}", at_ms, 24 + number % 7 / 1000, 5.0) for nest in "12"])
        watch.cycle()


def test_a_file_of_a_nest_that_is_gone_or_a_species_without_file_stops_no_watch(
    folder: Path, clock: ManualClock
) -> None:
    """Both nests are watched: the one of a known species, and the one whose species has no file, by the wide bands."""
    room = Room(load_config(folder), clock)
    species = {"1": "Lasius niger", "2": "Novomessor cockerelli"}
    room.registry.put_nests([Nest(f"T{n}", NestKind.TUBE, "cellar", "A", species[n]) for n in "12"])
    room.registry.put_placements([Placement(f"p{n}", f"T{n}", "cellar", Place.WET_END, 0) for n in "12"])
    minutes(room, 20)
    assert {(alarm.nest, alarm.kind) for alarm in room.alarm_log.standing()} == {
        ("T1", AlarmKind.DRY), ("T2", AlarmKind.DRY),
    }  # fmt: skip
    assert standings_of(room.registry, room.keeping).nest("T2", to_ms(clock.now())) is not None
    assert room.keeping.species_of(room.registry.nest("T2")).key == ANY
    assert [line.split(": ")[0].rsplit("/", 1)[-1] for line in room.keeping.unused] == ["queen-9.toml", "gone.toml"]


def test_check_names_files_that_are_not_used_and_species_without_a_file(
    folder: Path, clock: ManualClock, capsys
) -> None:
    room = Room(load_config(folder), clock)
    room.registry.put_nests([Nest(f"T{n}", NestKind.TUBE, "cellar", species="Novomessor cockerelli") for n in range(5)])
    room.connection.close()
    assert main(["--config", str(folder), "check", "--json"]) == 1
    found = [(each["ok"], each["detail"]) for each in json.loads(capsys.readouterr().out)["checks"]]
    assert any(not ok and "there is no nest 'gone'" in detail for ok, detail in found)
    assert any(not ok and "there is no colony 'queen-9'" in detail for ok, detail in found)
    assert (
        True,
        "nest T0, T1, T2 and 2 more: species 'Novomessor cockerelli' has no file; the wide bands of any.toml hold",
    ) in found
