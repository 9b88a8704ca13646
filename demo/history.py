"""Back-filling: sixty days of the room, computed minute by minute and stored as if they had been measured.

What is made goes to a folder beside its final name and is renamed when whole, so that an interrupted run leaves nothing
that could pass for a history.
"""

from __future__ import annotations

import hashlib
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np

from demo.incidents import Script
from demo.keeper import Keeper
from demo.physics import Nests, State
from demo.probing import Probes
from demo.room import HISTORY_DAYS, HISTORY_FROM_MS, LIVE_FROM_MS, SEED, housings, placements
from demo.weather import Weather
from sensord.clock import DAY_MS, MINUTE_MS
from sensord.db import open_db
from sensord.keeping.registry import Registry
from sensord.store.base import Row
from sensord.store.sqlite import SqliteStore

READ_EVERY_MS, OLD_READ_EVERY_MS = 5 * MINUTE_MS, 10 * MINUTE_MS
OLD_AFTER_DAYS = 7
STORE_EVERY_MS = DAY_MS
STATE, DATABASE = "state.pickle", "station.db"


def build_room(script: Script) -> tuple[Nests, Probes, Keeper]:
    """The room as it is invented."""
    homes = housings()
    nests = Nests(homes, Weather(SEED), script)
    return nests, Probes(homes, nests, SEED), Keeper(homes, script, SEED)


def fingerprint() -> str:
    """Changes with every change to the demo: an older history is made anew."""
    digest = hashlib.sha256()
    for file in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def ensure_history(folder: Path, progress: Callable[[int], None], days: int = HISTORY_DAYS) -> Path:
    """The folder with the database and the state of the room at the live instant; made if it is not there yet.

    Args:
        progress: told after every day how many are done.
        days: the last so many days only, for tests; the physics begins later then.
    """
    whole = folder / f"history-{fingerprint()}-{days}"
    if whole.is_dir():
        progress(days)
        return whole
    for old in folder.glob("history-*"):
        shutil.rmtree(old)
    making = folder / "history-half"
    making.mkdir(parents=True)
    state = _fill(making / DATABASE, progress, days)
    (making / STATE).write_bytes(pickle.dumps(state))
    return making.rename(whole)


def load_state(history: Path) -> State:
    """The room at the live instant."""
    state = pickle.loads((history / STATE).read_bytes())  # noqa: S301 - our own file
    assert isinstance(state, State)
    return state


def _fill(database: Path, progress: Callable[[int], None], days: int) -> State:
    nests, probes, keeper = build_room(Script())
    state = nests.start(HISTORY_FROM_MS, keeper.start_ml())
    store = SqliteStore(database)
    keep_from_ms = LIVE_FROM_MS - days * DAY_MS
    rows: list[Row] = []
    while state.at_ms < LIVE_FROM_MS:
        nests.step(state)
        keeper.visit(state)
        if keep_from_ms <= state.at_ms < LIVE_FROM_MS and state.at_ms % _read_every_ms(state.at_ms) == 0:
            rows += measured(probes, state)
        if state.at_ms % STORE_EVERY_MS == HISTORY_FROM_MS % STORE_EVERY_MS:
            store.write_rows(rows)
            rows = []
            progress(max(0, (state.at_ms - keep_from_ms) // DAY_MS))
    store.maintain(LIVE_FROM_MS)
    store.close()
    connection = open_db(database)
    registry = Registry(connection)
    registry.put_nests([housing.nest for housing in housings()])
    registry.put_placements(placements())
    registry.add_entries(keeper.journal)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.close()
    return state


def _read_every_ms(at_ms: int) -> int:
    """Seldom in the distance, so that back-filling takes less than a minute on a slow machine too."""
    return OLD_READ_EVERY_MS if LIVE_FROM_MS - at_ms > OLD_AFTER_DAYS * DAY_MS else READ_EVERY_MS


def measured(probes: Probes, state: State) -> list[Row]:
    """One reading of every probe, in the SHT31's own steps (16-bit words over 175 K and 100 %)."""
    temp_c, rh_pct = probes.felt(state)
    temp_c = -45.0 + 175.0 * np.round((temp_c + 45.0) / 175.0 * 65535.0) / 65535.0
    rh_pct = 100.0 * np.round(rh_pct / 100.0 * 65535.0) / 65535.0
    at_ms = [state.at_ms] * len(probes.names)
    return list(zip(probes.names, at_ms, temp_c.tolist(), rh_pct.tolist(), strict=True))
