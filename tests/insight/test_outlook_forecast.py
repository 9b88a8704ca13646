"""The outlook of a room end to end on the real registry: contract, basis, --at, checkpoints, the command."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from sensord.cli import main
from sensord.clock import DAY_MS, HOUR_MS, iso
from sensord.db import open_db
from sensord.errors import InputError
from sensord.forecast import Forecast
from sensord.insight.history import History
from sensord.insight.outlook import as_json
from sensord.keeping.outlook_cache import OutlookCache
from sensord.keeping.registry import Registry
from sensord.model import Entry, EntryKind, Nest, NestKind, Place, Placement, Plug, Reading
from sensord.store.memory import MemoryStore
from sensord.store.sqlite import SqliteStore

DAY_0 = 1_767_225_600_000
DAYS = 80
RATE_ML_DAY = 0.11


class Counting(MemoryStore):
    """A store that counts the hours it was asked for."""

    asked = 0

    def hours(self, probe, from_ms, until_ms):
        self.asked += max(0, until_ms - from_ms) // HOUR_MS
        return super().hours(probe, from_ms, until_ms)


def tube(name, **more):
    return Nest(name, NestKind.TUBE, "r", "top", "Some species", bore_mm=14, chamber_mm=70, reservoir_ml=11.5,
                plug=Plug.COTTON, **more)  # fmt: skip


def day(number: float) -> int:
    return DAY_0 + int(number * DAY_MS)


def entry(nest, number, kind, amount=None):
    return Entry(day(number), nest, EntryKind(kind), amount, "mL")


def furnish(store, registry, days=DAYS):
    """Two tubes with levels, one of them with a probe of its own; one never filled; one in a room without probes."""
    registry.put_nests([
        tube("own"), tube("shared"), tube("blank"),
        Nest("far", NestKind.TUBE, "cellar", reservoir_ml=10.0),
    ])  # fmt: skip
    registry.put_placements([
        Placement("hub/room", None, "r", Place.ROOM, DAY_0),
        Placement("hub/own", "own", "r", Place.WET_END, DAY_0, None, 12.0),
    ])  # fmt: skip
    for name in ("own", "shared"):
        levels = [entry(name, d, "level", round(11.0 - RATE_ML_DAY * (d - 1), 1)) for d in range(12, days, 13)]
        registry.add_entries([entry(name, 1, "fill", 11.0), *levels])
    registry.add_entries([entry("far", 1, "fill", 10.0)])
    store.write([reading for h in range(days * 24) for reading in hour(h)])


def hour(number):
    swing = ((number * 7) % 24 - 12) / 12
    at = DAY_0 + number * HOUR_MS + 60_000
    return Reading("hub/room", at, 21.0 + swing, 50.0), Reading("hub/own", at, 21.3 + swing, 91.0 + swing)


@pytest.fixture
def room():
    connection = open_db(":memory:")
    store, registry, cache = Counting(), Registry(connection), OutlookCache(connection)
    furnish(store, registry)
    return store, registry, cache


def forecast(room):
    store, registry, cache = room
    return Forecast(History(store, registry), registry, cache)


def document(room, at_ms, *nests):
    return as_json(forecast(room).at(at_ms, nests), at_ms)


def by_name(found):
    return {one["nest"]: one for one in found["nests"]}


def test_the_document_is_as_the_contract_says(room):
    """Keys, order of quantiles, instants, the cap at a year; nulls where nothing can be said."""
    found = document(room, day(DAYS))
    assert found["at"] == iso(day(DAYS))
    nests = by_name(found)
    assert set(nests) == {"own", "shared", "blank", "far"}
    for one in nests.values():
        assert list(one) == ["nest", "species", "filled_at", "water_left_ml", "days_left", "runs_dry_at", "wetness",
                             "wetness_sd", "cotton", "basis", "cycles_learned"]  # fmt: skip
        assert one["cotton"] in {"wet", "drying", "dry", "unknown"}
    for name in ("own", "shared"):
        days, dry, water = nests[name]["days_left"], nests[name]["runs_dry_at"], nests[name]["water_left_ml"]
        assert 0 <= days["p10"] <= days["p50"] <= days["p90"] <= 365
        assert water["p10"] <= water["p50"] <= water["p90"]
        seconds = (datetime.fromisoformat(dry["p50"]) - datetime.fromisoformat(found["at"])).total_seconds()
        assert seconds / 86_400 == pytest.approx(days["p50"], abs=0.01)
        assert nests[name]["filled_at"] == iso(day(1))
    assert nests["blank"]["days_left"] is nests["blank"]["filled_at"] is nests["blank"]["water_left_ml"] is None
    json.dumps(found, allow_nan=False)


def test_own_probe_room_probe_and_none(room):
    """The basis is what measures the nest's air; the wetness is the own probe's alone."""
    nests = by_name(document(room, day(DAYS)))
    assert {name: one["basis"] for name, one in nests.items()} == {
        "own": "own probe", "shared": "room probe", "blank": "room probe", "far": "none",
    }  # fmt: skip
    assert nests["own"]["wetness"] is not None
    assert nests["shared"]["wetness"] is None


def test_without_any_probe_levels_and_fills_tell_the_rate(room):
    """11 mL at 0.11 mL a day by the levels of a cellar where nothing measures: the day is found, less surely."""
    levels = [entry("cellar", d, "level", round(11.0 - RATE_ML_DAY * (d - 1), 1)) for d in range(12, DAYS, 13)]
    room[1].put_nests([Nest("cellar", NestKind.TUBE, "cellar", bore_mm=14, chamber_mm=70, reservoir_ml=11.5)])
    room[1].add_entries([entry("cellar", 1, "fill", 11.0), *levels])
    nests = by_name(document(room, day(DAYS)))
    left, measured, vague = (nests[name]["days_left"] for name in ("cellar", "shared", "far"))
    assert nests["cellar"]["basis"] == nests["far"]["basis"] == "none"
    assert left["p50"] == pytest.approx(101 - DAYS, abs=6)
    assert left["p90"] - left["p10"] > measured["p90"] - measured["p10"]
    assert vague["p90"] - vague["p10"] > 3 * (left["p90"] - left["p10"])


def test_a_probe_that_reads_nonsense_spoils_nobodys_outlook():
    """An SHT31 whose words are all ones says 130 °C and 100 % (Sensirion, datasheet SHT3x-DIS): such hours do not count."""
    connection = open_db(":memory:")
    store, registry = Counting(), Registry(connection)
    furnish(store, registry)
    hours = range(DAY_0 + 30 * DAY_MS, DAY_0 + 32 * DAY_MS, HOUR_MS)
    store.write([Reading(probe, at_ms + 1, 130.0, 100.0) for at_ms in hours for probe in ("hub/own", "hub/room")])
    nests = by_name(document((store, registry, OutlookCache(connection)), day(DAYS)))
    for name in ("own", "shared"):
        assert nests[name]["days_left"]["p50"] == pytest.approx(101 - DAYS, abs=5)


def test_both_kinds_of_basis_find_the_day(room):
    """11 mL at 0.11 mL a day from day 1 last until day 101."""
    nests = by_name(document(room, day(DAYS)))
    for name in ("own", "shared"):
        assert nests[name]["days_left"]["p50"] == pytest.approx(101 - DAYS, abs=4)


def test_at_uses_nothing_later(room):
    """Asked as of day 40, the answer is the same whether or not the rest of the season is known yet."""
    late = document(room, day(40) + 1_234_567)
    connection = open_db(":memory:")
    store, registry = Counting(), Registry(connection)
    furnish(store, registry, 41)
    registry_until = [one for one in registry.entries() if one.at_ms <= day(40) + 1_234_567]
    assert len(registry_until) < len(room[1].entries())
    early = as_json(
        Forecast(History(store, registry), registry, OutlookCache(connection)).at(day(40) + 1_234_567),
        day(40) + 1_234_567,
    )
    assert late == early


def test_going_on_from_a_checkpoint_is_as_beginning_anew(room):
    """Week by week with checkpoints, or in one go without: the same answer, and far less is read."""
    store = room[0]
    for number in range(20, DAYS, 7):
        document(room, day(number))
    store.asked = 0
    gone_on = document(room, day(DAYS))
    read_on = store.asked
    room[2].forget()
    store.asked = 0
    anew = document(room, day(DAYS))
    assert read_on < 0.6 * store.asked
    for one, other in zip(gone_on["nests"], anew["nests"], strict=True):
        assert one["cotton"] == other["cotton"]
        if other["days_left"]:
            assert one["days_left"] == pytest.approx(other["days_left"], abs=0.3, rel=0.02)


def test_asking_twice_changes_nothing(room):
    """The second answer is the first."""
    assert document(room, day(DAYS)) == document(room, day(DAYS))


def test_an_entry_written_down_late_is_taken_in(room):
    """A fill of before the checkpoint, logged afterwards: the checkpoint is dropped, not trusted."""
    before = document(room, day(DAYS))
    room[1].add_entries([entry("shared", 66.5, "fill", 11.0)])
    after = document(room, day(DAYS))
    room[2].forget()
    assert after == document(room, day(DAYS))
    assert by_name(after)["shared"] != by_name(before)["shared"]
    assert by_name(after)["shared"]["filled_at"] == iso(day(66.5))


@pytest.mark.parametrize(
    "slip",
    [
        entry("shared", 66.5, "fill", 11.0),
        entry("own", 5, "top_up", 6.0),
        entry("own", DAYS - 0.5, "level", 0.0),
        entry("shared", DAYS - 1, "died"),
    ],
    ids=lambda slip: f"{slip.kind} of day {(slip.at_ms - DAY_0) // DAY_MS}",
)
def test_an_entry_that_was_withdrawn_is_as_one_that_never_was(room, slip):
    """Before the checkpoint and after it: nothing of it stays behind in what was kept while it stood."""
    registry = room[1]
    before = document(room, day(DAYS))
    room[2].forget()
    registry.add_entries([slip])
    for number in (66, 73):
        document(room, day(number))
    assert document(room, day(DAYS)) != before
    registry.withdraw_entry(registry.entry_id(slip), "Mara", day(DAYS))
    after = document(room, day(DAYS))
    room[2].forget()
    anew = document(room, day(DAYS))
    for one, never in zip(after["nests"], anew["nests"], strict=True):
        assert (one["nest"], one["filled_at"]) == (never["nest"], never["filled_at"])
        if never["days_left"]:
            assert one["days_left"] == pytest.approx(never["days_left"], abs=0.3)  # as with any checkpoint, see above
    assert anew == before
    assert slip not in registry.entries()


def test_readings_that_come_in_late_are_taken_in():
    """A hub's outbox is drained after days: checkpoints made without its readings are dropped."""
    connection = open_db(":memory:")
    store, registry, cache = Counting(), Registry(connection), OutlookCache(connection)
    furnish(store, registry, 60)
    room = store, registry, cache
    silent = range(60 * 24, 70 * 24)
    store.write([hour(number)[0] for number in range(70 * 24, DAYS * 24)])
    without = document(room, day(75))
    store.write([reading for number in silent for reading in hour(number)])
    with_late = document(room, day(75))
    cache.forget()
    assert with_late == document(room, day(75))
    assert with_late != without


def test_what_other_tubes_taught_helps_a_new_one(room):
    """A tube filled yesterday, of the same kind and rack: its date leans on its neighbours."""
    room[1].put_nests([tube("new")])
    room[1].add_entries([entry("new", DAYS - 1, "fill", 11.0)])
    new = by_name(document(room, day(DAYS)))["new"]["days_left"]
    assert new["p10"] < 99 < new["p90"]
    assert new["p50"] == pytest.approx(99, rel=0.35)


@pytest.mark.parametrize(("bore_mm", "cycles"), [(14.0, 1), (22.0, 0)])
def test_a_colony_in_another_tube_under_the_same_name_begins_anew(room, bore_mm, cycles):
    """Moved on day 40: what a tube of another bore taught is not the new one's; on another rack the same tube keeps it."""
    before = by_name(document(room, day(39)))["shared"]
    room[1].put_nests([replace(tube("shared"), bore_mm=bore_mm, rack="low", since_ms=day(40))])
    room[1].add_entries([entry("shared", 40, "fill", 11.0)])
    after = by_name(document(room, day(41)))["shared"]
    assert after["cycles_learned"] == cycles
    assert by_name(document(room, day(39)))["shared"] == before


def test_a_nest_whose_colony_died_is_left_out_unless_asked_for(room):
    """Nobody fills a dead nest."""
    room[1].add_entries([entry("shared", 70, "died")])
    assert "shared" not in by_name(document(room, day(DAYS)))
    assert "shared" in by_name(document(room, day(DAYS), "shared"))


def test_an_unknown_nest_is_one_clear_line(room):
    """Named, and what to do."""
    with pytest.raises(InputError, match="nest 'nowhere'"):
        forecast(room).at(day(DAYS), ["nowhere"])


def test_an_empty_room_has_an_empty_outlook():
    """No nest, no error."""
    connection = open_db(":memory:")
    registry = Registry(connection)
    assert Forecast(History(MemoryStore(), registry), registry, OutlookCache(connection)).at(DAY_0) == []


def test_the_command_prints_one_document_and_a_table(tmp_path, capsys):
    """``outlook --json`` and ``outlook`` on a configuration with [station] alone."""
    (tmp_path / "station.toml").write_text('[station]\nname = "test room"\n', encoding="utf-8")
    database = tmp_path / "data" / "station.db"
    registry, store = Registry(open_db(database)), SqliteStore(database)
    furnish(store, registry, 30)
    store.close()
    arguments = ["--config", str(tmp_path), "outlook", "--at", "2026-01-30T00:00:00Z"]
    assert main([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["at"] == iso(int(datetime(2026, 1, 30, tzinfo=UTC).timestamp() * 1000))
    assert len(found["nests"]) == 4
    assert main([*arguments, "own", "far"]) == 0
    shown = capsys.readouterr().out
    assert "own" in shown
    assert "shared" not in shown
    assert main([*arguments, "nowhere"]) == 2
    assert "nowhere" in capsys.readouterr().err
