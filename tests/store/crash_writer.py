"""A process that writes scans for ever and says each one once it is acknowledged; the test kills it."""

from __future__ import annotations

import sys

from sensord.clock import DAY_MS
from sensord.model import Reading
from sensord.store.sqlite import SqliteStore

PROBES = 16


def main(path: str, start: int) -> None:
    store = SqliteStore(path)
    scan = start
    while True:
        at_ms = 1_775_044_800_000 + scan * 600_000
        store.write([Reading(f"a/p{n}", at_ms, 20 + n / 10, 50.0) for n in range(PROBES)])
        sys.stdout.write(f"{scan}\n")
        sys.stdout.flush()
        if scan % 7 == 0:  # the daily move and the roll-up are killed too
            store.maintain(at_ms + DAY_MS)
        scan += 1


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
