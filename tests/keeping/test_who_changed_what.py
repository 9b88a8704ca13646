"""Who changed a nest or a placement, when, and from what to what, is kept with the change or not at all."""

from __future__ import annotations

import pytest

from sensord.cli import main
from sensord.clock import DAY_MS
from sensord.db import open_db
from sensord.errors import ConflictError, InputError
from sensord.keeping.changes import Signed
from sensord.keeping.registry import Registry
from sensord.keeping.tables import COLUMNS
from sensord.model import Nest, NestKind, Place, Placement

TUBE = Nest("T1", NestKind.TUBE, "loft", "A", "Lasius niger")
PROBE = Placement("hub/p1", "T1", "loft", Place.WET_END, DAY_MS)
MARA, TOM = Signed("Mara", 10 * DAY_MS), Signed("Tom", 11 * DAY_MS)


@pytest.fixture
def registry(tmp_path) -> Registry:
    return Registry(open_db(tmp_path / "station.db"))


def test_a_new_nest_and_its_correction_are_signed_and_the_same_again_is_no_change(registry) -> None:
    registry.put_nests([TUBE], signed=MARA)
    registry.put_nests([TUBE], signed=TOM)
    moved = Nest("T1", NestKind.TUBE, "loft", "B", "Lasius niger")
    registry.put_nests([moved], signed=TOM)
    first, second = registry.changes("T1")
    assert ("Mara", MARA.at_ms, ("T1", None), None) == (first.by, first.at_ms, first.key, first.before)
    assert ("Tom", "A", "B") == (second.by, second.before["rack"], second.after["rack"])
    assert {"rack"} == {name for name in second.after if second.after[name] != second.before[name]}


def test_a_state_noted_with_a_wrong_date_leaves_with_a_name_on_it(registry) -> None:
    registry.put_nests([Nest("T1", NestKind.TUBE, "loft", since_ms=3)])
    registry.put_nests([Nest("T1", NestKind.TUBE, "loft", since_ms=5)], gone=[("T1", 3)], signed=TOM)
    gone, new = registry.changes("T1")
    assert (("T1", 3), None, ("T1", 5), None) == (gone.key, gone.after, new.key, new.before)
    assert {"Tom"} == {gone.by, new.by}


def test_a_probe_that_moves_is_told_to_both_nests(registry) -> None:
    registry.put_placements([PROBE], signed=MARA)
    ended = Placement("hub/p1", "T1", "loft", Place.WET_END, DAY_MS, 5 * DAY_MS)
    there = Placement("hub/p1", "T2", "loft", Place.DRY_END, 5 * DAY_MS)
    registry.put_placements([ended, there], signed=TOM)
    corrected = Placement("hub/p1", "T3", "loft", Place.DRY_END, 5 * DAY_MS)
    registry.put_placements([corrected], signed=MARA)
    assert ["Mara", "Tom"] == [one.by for one in registry.changes("T1")]
    assert ["Tom", "Mara"] == [one.by for one in registry.changes("T2")]
    assert ["Mara"] == [one.by for one in registry.changes("T3")]


def test_what_was_refused_left_no_word(registry) -> None:
    registry.put_nests([TUBE])
    registry.put_placements([PROBE])
    with pytest.raises(ConflictError):
        registry.put_nests([Nest("T1", NestKind.TUBE, "cellar")], "an old mark", signed=TOM)
    with pytest.raises(InputError):
        registry.put_placements([Placement("hub/p1", "T2", "loft", Place.DRY_END, 2 * DAY_MS)], signed=TOM)
    assert [] == registry.changes("T1") + registry.changes("T2")
    assert "loft" == registry.nest("T1").room


def test_what_nobody_signed_leaves_no_word(registry) -> None:
    registry.put_nests([TUBE])
    assert [] == registry.changes("T1")


def test_an_import_is_signed_by_who_sits_at_the_command_line(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("LOGNAME", "mara")
    (tmp_path / "station.toml").write_text("[station]\n")
    nests, placements = tmp_path / "nests.csv", tmp_path / "placements.csv"
    nests.write_text(f"{','.join(COLUMNS['nests'])}\nT1,tube,loft,,,,,,,,,\n")
    placements.write_text(f"{','.join(COLUMNS['placements'])}\np1,T1,loft,wet_end,,2026-01-01T00:00:00Z,\n")
    for _ in range(2):  # the second time changes nothing
        for table, file in (("nests", nests), ("placements", placements)):
            assert 0 == main(["--config", str(tmp_path), "import", table, str(file)])
    changes = Registry(open_db(tmp_path / "data" / "station.db")).changes("T1")
    assert [("mara", "nests"), ("mara", "placements")] == [(one.by, one.table) for one in changes]
