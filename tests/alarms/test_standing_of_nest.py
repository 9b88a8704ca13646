"""What holds for a nest holds no longer than until its colony dies or the nest changes."""

from __future__ import annotations

from sensord.alarms.standing import FOREVER_MS
from sensord.alarms.watch import standings_of
from sensord.clock import DAY_MS, to_ms
from sensord.config import load_config
from sensord.model import Entry, EntryKind, Nest, NestKind
from sensord.wiring import Room


def test_a_standing_ends_with_the_colony_or_with_the_next_row_of_its_nest(tmp_path, clock) -> None:
    (tmp_path / "station.toml").write_text("[station]\n")
    room = Room(load_config(tmp_path), clock)
    now_ms = to_ms(clock.now())
    moved_ms, died_ms, again_ms = now_ms + DAY_MS, now_ms + 3 * DAY_MS, now_ms + 5 * DAY_MS
    room.registry.put_nests(
        [
            Nest("A-1", NestKind.TUBE, "room", rack, "Camponotus nicobarensis", since_ms=since_ms)
            for rack, since_ms in (("A", 0), ("B", moved_ms), ("C", again_ms))
        ]
    )
    room.registry.add_entries([Entry(died_ms, "A-1", EntryKind.DIED)])
    standings = standings_of(room.registry, room.keeping)
    found = {at_ms: standings.of_nest("A-1", at_ms) for at_ms in (now_ms, moved_ms, died_ms, again_ms)}
    assert found[now_ms].rack == "A"
    assert found[now_ms].until_ms <= moved_ms
    assert found[moved_ms].rack == "B"
    assert moved_ms < found[moved_ms].until_ms <= died_ms
    assert found[died_ms] is None
    assert again_ms < found[again_ms].until_ms <= FOREVER_MS
