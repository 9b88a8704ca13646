"""Changes made in a grid keep the past true, or correct it where the keeper says so."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensord.cli import main
from sensord.clock import DAY_MS, iso, to_ms
from sensord.config import load_config
from sensord.db import open_db
from sensord.errors import ConflictError
from sensord.keeping.edits import Holds, edits_of_nests, edits_of_placements
from sensord.keeping.registry import Registry
from sensord.keeping.tables import COLUMNS, nest_row, placement_row, read_row
from sensord.model import Nest, NestKind, Place, Placement
from sensord.wiring import Room

NOW, ALWAYS = Holds.FROM_NOW, Holds.ALWAYS_SO


def cells_of(row):
    """A row as a grid sends it: text by column."""
    table, values = ("nests", nest_row(row)) if isinstance(row, Nest) else ("placements", placement_row(row))
    return {name: "" if value is None else str(value) for name, value in zip(COLUMNS[table], values, strict=True)}


@pytest.fixture
def now_ms(clock):
    return to_ms(clock.now())


@pytest.fixture
def tube(now_ms):
    return Nest("A-1", NestKind.TUBE, "room", "A", "Lasius niger", since_ms=now_ms - 9 * DAY_MS, reservoir_ml=8)


@pytest.fixture
def probe(now_ms):
    return Placement("hub-a/p1", "A-1", "room", Place.WET_END, now_ms - 9 * DAY_MS, None, 5)


def test_a_change_from_now_on_is_a_new_state_and_leaves_the_old_one(tube, now_ms) -> None:
    found = edits_of_nests([(4, {**cells_of(tube), "stage": "growing"})], [tube], now_ms, NOW)
    assert [] == found.bad
    assert [(4, now_ms, "growing")] == [(number, nest.since_ms, nest.stage) for number, nest in found.rows]


def test_a_correction_replaces_the_state_it_corrects(tube, now_ms) -> None:
    found = edits_of_nests([(1, {**cells_of(tube), "bore_mm": "14"})], [tube], now_ms, ALWAYS)
    assert [(tube.since_ms, 14.0)] == [(nest.since_ms, nest.bore_mm) for _, nest in found.rows]


@pytest.mark.parametrize("holds", list(Holds))
def test_what_came_out_and_goes_in_again_changes_nothing(tube, probe, now_ms, holds) -> None:
    grown = Nest("A-1", NestKind.TUBE, "room", "B", since_ms=now_ms - DAY_MS)
    moved = Placement("hub-a/p1", None, "room", Place.ROOM, now_ms - DAY_MS)
    ended = Placement("hub-a/p1", "A-1", "room", Place.WET_END, probe.since_ms, moved.since_ms, 5)
    nests = [(number, cells_of(row)) for number, row in enumerate((tube, grown))]
    places = [(number, cells_of(row)) for number, row in enumerate((ended, moved))]
    assert ([], []) == (
        edits_of_nests(nests, [tube, grown], now_ms, holds).rows,
        edits_of_nests(nests, [tube, grown], now_ms, holds).bad,
    )
    assert ([], []) == (
        edits_of_placements(places, [ended, moved], now_ms, holds).rows,
        edits_of_placements(places, [ended, moved], now_ms, holds).bad,
    )


def test_a_blank_since_of_a_known_nest_means_the_state_that_is_shown(tube, now_ms) -> None:
    row = {**cells_of(tube), "since": "", "rack": "B"}
    assert [now_ms] == [nest.since_ms for _, nest in edits_of_nests([(1, row)], [tube], now_ms, NOW).rows]
    assert [tube.since_ms] == [nest.since_ms for _, nest in edits_of_nests([(1, row)], [tube], now_ms, ALWAYS).rows]


def test_an_older_state_is_changed_by_a_correction_only(tube, now_ms) -> None:
    grown = Nest("A-1", NestKind.TUBE, "room", "B", since_ms=now_ms - DAY_MS)
    row = {**cells_of(tube), "rack": "C"}
    refused = edits_of_nests([(2, row)], [tube, grown], now_ms, NOW)
    assert [] == refused.rows
    assert [(2, "since")] == [bad[:2] for bad in refused.bad]
    assert ["C"] == [nest.rack for _, nest in edits_of_nests([(2, row)], [tube, grown], now_ms, ALWAYS).rows]


def test_a_wrong_since_is_put_right_by_a_correction(tube, probe, now_ms, tmp_path) -> None:
    registry = Registry(open_db(tmp_path / "station.db"))
    registry.put_nests([tube])
    registry.put_placements([probe])
    for earlier_ms in (tube.since_ms - DAY_MS, tube.since_ms + DAY_MS):
        found = edits_of_nests([(1, {**cells_of(tube), "since": iso(earlier_ms)})], registry.history(), now_ms, ALWAYS)
        registry.put_nests([row for _, row in found.rows], gone=found.gone)
        assert [earlier_ms] == [nest.since_ms for nest in registry.history("A-1")]
        found = edits_of_placements(
            [(1, {**cells_of(probe), "since": iso(earlier_ms)})], registry.placements(), now_ms, ALWAYS
        )
        assert [] == found.bad
        registry.put_placements([row for _, row in found.rows], gone=found.gone)
        assert [earlier_ms] == [one.since_ms for one in registry.placements()]


def test_two_changes_within_a_second_are_two_states(tube, now_ms) -> None:
    later_ms = now_ms + 400
    first = Nest("A-1", NestKind.TUBE, "room", "B", since_ms=now_ms)
    found = edits_of_nests([(1, {**cells_of(first), "rack": "C"})], [tube, first], later_ms, NOW)
    assert [later_ms] == [nest.since_ms for _, nest in found.rows]


def test_a_planned_state_is_not_changed_from_now_on(tube, now_ms) -> None:
    planned = Nest("A-1", NestKind.TUBE, "room", "B", since_ms=now_ms + DAY_MS)
    found = edits_of_nests([(1, {**cells_of(planned), "rack": "C"})], [tube, planned], now_ms, NOW)
    assert "still to come" in found.bad[0][2]


def test_a_probe_that_moved_ends_one_placement_and_begins_another(probe, now_ms) -> None:
    found = edits_of_placements([(3, {**cells_of(probe), "nest": "A-2"})], [probe], now_ms, NOW)
    assert [] == found.bad
    assert {("A-2", now_ms, None), ("A-1", probe.since_ms, now_ms)} == {
        (row.nest, row.since_ms, row.until_ms) for _, row in found.rows
    }


def test_a_placement_is_ended_and_a_wrong_one_corrected_in_its_place(probe, now_ms) -> None:
    for changes, holds in (({"until": iso(now_ms)}, NOW), ({"place": "dry_end"}, ALWAYS)):
        found = edits_of_placements([(1, {**cells_of(probe), **changes})], [probe], now_ms, holds)
        assert [probe.since_ms] == [row.since_ms for _, row in found.rows]
        assert [] == found.bad


def test_a_new_row_of_a_placed_probe_ends_where_it_stood(probe, now_ms) -> None:
    row = {"probe": "hub-a/p1", "nest": "A-3", "room": "room", "place": "wet_end"}
    for since, expected_ms in (("", now_ms), (iso(now_ms - DAY_MS), now_ms - DAY_MS)):
        found = edits_of_placements([(1, {**row, "since": since})], [probe], now_ms, NOW)
        assert {("A-3", expected_ms, None), ("A-1", probe.since_ms, expected_ms)} == {
            (one.nest, one.since_ms, one.until_ms) for _, one in found.rows
        }


def test_a_probe_cannot_be_at_two_places_whatever_is_chosen(probe, now_ms) -> None:
    row = {**cells_of(probe), "since": iso(probe.since_ms - DAY_MS), "nest": "A-9"}
    for holds in Holds:
        found = edits_of_placements([(7, row)], [probe], now_ms, holds)
        assert [7] == [number for number, _, _ in found.bad]
        assert "cannot be at" in found.bad[0][2]


def test_one_probe_in_two_rows_is_refused(now_ms) -> None:
    rows = [(n, {"probe": "p", "nest": f"A-{n}", "room": "room", "place": "wet_end"}) for n in (1, 2)]
    found = edits_of_placements(rows, [], now_ms, NOW)
    assert (2, "probe") == found.bad[0][:2]
    assert "two of these rows" in found.bad[0][2]


@pytest.mark.parametrize(
    ("cells", "cell"),
    [({"kind": "box"}, "kind"), ({"nest": "<b>"}, "nest"), ({"bore_mm": "wide"}, "bore_mm"), ({"since": "yesterday"}, "since"),
     ({"stage": "old"}, "stage"), ({"species": "x" * 300}, "species")],
)  # fmt: skip
def test_a_bad_cell_is_named_in_the_words_of_the_import(cells, cell, now_ms, tmp_path, capsys) -> None:
    row = {"nest": "A-1", "kind": "tube", "room": "room", **cells}
    [(number, found, problem)] = edits_of_nests([(5, row)], [], now_ms, NOW).bad
    assert (5, cell) == (number, found)
    (tmp_path / "station.toml").write_text('[station]\nname = "x"\n')
    with (tmp_path / "n.csv").open("w") as file:
        writer = csv.DictWriter(file, COLUMNS["nests"])
        writer.writeheader()
        writer.writerow(row)
    assert 2 == main(["--config", str(tmp_path), "import", "nests", str(tmp_path / "n.csv")])
    assert problem in capsys.readouterr().err


def test_rows_that_changed_since_they_were_read_are_not_written_over(tmp_path, tube, probe) -> None:
    registry = Registry(open_db(tmp_path / "station.db"))
    registry.put_nests([tube])
    nests, places = registry.mark("nests"), registry.mark("placements")
    other = Registry(open_db(tmp_path / "station.db"))
    other.put_nests([Nest("A-2", NestKind.TUBE, "room")])
    other.put_placements([probe])
    with pytest.raises(ConflictError, match="somebody else"):
        registry.put_nests([Nest("A-3", NestKind.TUBE, "room")], nests)
    with pytest.raises(ConflictError, match="nothing was saved"):
        registry.put_placements([], places)
    assert {"A-1", "A-2"} == {nest.name for nest in registry.nests()}
    assert 1 == registry.put_nests([Nest("A-3", NestKind.TUBE, "room")], registry.mark("nests"))


def test_a_row_reads_as_its_line_in_a_file_does(tube, now_ms) -> None:
    line = next(csv.reader(io.StringIO(",".join(cells_of(tube).values()))))
    assert tube == read_row("nests", line, now_ms)


def test_export_of_the_command_line_still_holds_every_state(tmp_path, clock, tube, capsys) -> None:
    (tmp_path / "station.toml").write_text('[station]\nname = "x"\n')
    Room(load_config(tmp_path), clock).registry.put_nests([tube])
    assert 0 == main(["--config", str(tmp_path), "export", "nests", "--out", str(tmp_path / "n.csv"), "--json"])
    assert 1 == json.loads(capsys.readouterr().out)["rows"]
    assert list(COLUMNS["nests"]) == (tmp_path / "n.csv").read_text().splitlines()[0].split(",")


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["a", "b"]),  # which probe, and which nest it is told of
        st.sampled_from(["N-1", "N-2", "N-3"]),
        st.sampled_from(["wet_end", "dry_end"]),
        st.booleans(),  # whether it ends instead of moving
        st.integers(0, 90),  # seconds until the next edit
    ),
    max_size=12,
)


def stood(registry, at_ms):
    """Who stood where at an instant."""
    placements = [(one.probe, one.nest, one.place) for one in registry.placements(at_ms=at_ms)]
    return placements, [(nest.name, nest.rack) for nest in registry.nests(at_ms=at_ms)]


@given(STEPS)
@settings(max_examples=60, deadline=None)
def test_whatever_is_edited_from_now_on_no_instant_of_the_past_changes(steps) -> None:
    """Placements and nests alike: what stood a moment before an edit stands there for ever."""
    now_ms, truths = 1_000_000_000_000, {}
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        registry = Registry(connection)
        for probe, nest, place, ends, wait_s in steps:
            shown = next((one for one in registry.placements(probe=probe) if one.until_ms is None), None)
            cells = cells_of(shown) if shown else {"probe": probe, "room": "room"}
            change = {"until": "now"} if ends and shown else {"nest": nest, "place": place}
            row = {
                "nest": nest,
                "kind": "tube",
                "room": "room",
                "rack": place,
                "since": "" if registry.nest(nest) else "now",
            }
            moved = edits_of_placements([(1, {**cells, **change})], registry.placements(), now_ms, NOW)
            changed = edits_of_nests([(1, row)], registry.history(), now_ms, NOW)
            assert [] == [*moved.bad, *changed.bad]
            registry.put_placements([one for _, one in moved.rows], gone=moved.gone)
            registry.put_nests([one for _, one in changed.rows], gone=changed.gone)
            assert truths == {at_ms: stood(registry, at_ms) for at_ms in truths}
            now_ms += 1_000 + wait_s * 1_000
            truths[now_ms - 1] = stood(registry, now_ms - 1)
