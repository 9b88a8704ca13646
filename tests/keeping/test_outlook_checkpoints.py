"""What the outlook learned is kept, but never what it supposed of the future."""

from __future__ import annotations

from sensord.clock import DAY_MS, ManualClock, to_ms
from sensord.db import open_db
from sensord.keeping.outlook_cache import Checkpoint, OutlookCache


def test_a_checkpoint_of_the_future_is_not_kept(clock: ManualClock) -> None:
    """An outlook asked for next year must not stand in the way of today's, nor pass for what was read by then."""
    now_ms = to_ms(clock.now())
    cache = OutlookCache(open_db(":memory:"), clock)
    past = Checkpoint("T1", now_ms, "a", b"1")
    cache.put([past, Checkpoint("T2", now_ms + 1, "a", b"1")])
    cache.put([Checkpoint("T1", now_ms + 365 * DAY_MS, "b", b"2")])
    assert cache.all() == {"T1": past}
    clock.advance(1.0)
    cache.put([Checkpoint("T2", now_ms + 1, "a", b"1")])
    assert set(cache.all()) == {"T1", "T2"}
