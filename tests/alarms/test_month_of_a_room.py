"""A month of two hundred nests with incidents, replayed: told in time, few alarms, hardly a false one. Invented data."""

from __future__ import annotations

import math
import random
from array import array

import pytest

from sensord.alarms.replay import replay
from sensord.alarms.standing import Standings
from sensord.alarms.tuning import Tuning
from sensord.clock import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS, parse_instant, to_ms
from sensord.keeping.keeping import Keeping
from sensord.keeping.species import load_species
from sensord.model import AlarmKind, Nest, NestKind, Place, Placement
from sensord.store.base import Columns

START = to_ms(parse_instant("2026-06-01T00:00:00Z"))
NESTS, DAYS, EVERY_MS = 200, 30, 10 * MINUTE_MS
INCIDENTS = {  # nest: kind, from, for how long, value
    3: (AlarmKind.DRY, 5 * DAY_MS, 6 * HOUR_MS, 45.0),
    50: (AlarmKind.HOT, 9 * DAY_MS, 3 * HOUR_MS, 35.5),
    51: (AlarmKind.HOT, 12 * DAY_MS, 3 * HOUR_MS, 39.0),
    120: (AlarmKind.COLD, 20 * DAY_MS, 8 * HOUR_MS, 7.0),
    180: (AlarmKind.DRY, 25 * DAY_MS, 12 * HOUR_MS, 30.0),
    199: (AlarmKind.SILENT, 15 * DAY_MS, 5 * HOUR_MS, 0.0),
}  # fmt: skip


class Month:
    """A store of readings worked out when asked: daily course, slow wander, noise of the sensor's size, incidents."""

    def probes(self) -> list[str]:
        return [f"hub/p{number}" for number in range(NESTS)]

    def raw(self, probe: str, from_ms: int, until_ms: int) -> Columns:
        number = int(probe.removeprefix("hub/p"))
        rng = random.Random(number)
        columns = Columns(array("q"), array("d"), array("d"))
        kind, begin, length, value = INCIDENTS.get(number, (None, 0, 0, 0.0))
        wander = 0.0
        for at_ms in range(from_ms, until_ms, EVERY_MS):
            since = at_ms - START - begin
            inside = kind is not None and 0 <= since < length
            wander = 0.995 * wander + rng.gauss(0, 0.15)
            temp = 24 + 2 * math.sin(2 * math.pi * at_ms / DAY_MS) + rng.gauss(0, 0.1)
            rh = 80 + 2 * wander + rng.gauss(0, 1)
            if inside and kind == AlarmKind.SILENT:
                continue
            if inside and kind == AlarmKind.DRY:
                rh = value + rng.gauss(0, 1)
            elif inside:
                temp = value + rng.gauss(0, 0.1)
            columns.at_ms.append(at_ms)
            columns.temp_c.append(round(temp, 2))
            columns.rh_pct.append(min(100.0, round(rh, 2)))
        return columns


@pytest.mark.slow
def test_every_incident_is_told_in_time_and_hardly_anything_else_is() -> None:
    """Within the on-delay plus 15 s; at most one false alarm in 1,000 nest-days; no flood, no chattering."""
    nests = [Nest(f"T{number}", NestKind.TUBE, "cellar", "A", "Lasius niger") for number in range(NESTS)]
    placements = [Placement(f"hub/p{n}", f"T{n}", "cellar", Place.WET_END, 0) for n in range(NESTS)]
    tuning = Tuning()
    standings = Standings(placements, nests, Keeping(load_species(None)))
    found = replay(Month(), standings, tuning, START, START + DAYS * DAY_MS)  # type: ignore[arg-type]
    due = {}
    for number, (kind, begin, _, _) in INCIDENTS.items():
        on_ms = 3 * EVERY_MS - EVERY_MS if kind == AlarmKind.SILENT else tuning.delays[kind].on_ms
        due[f"T{number}", kind] = START + begin + on_ms + 15 * SECOND_MS
    first: dict[tuple[str | None, AlarmKind], int] = {}
    for alarm in found.alarms:
        first.setdefault((alarm.nest, alarm.kind), alarm.raised_ms)
    late = {key: first.get(key) for key, due_ms in due.items() if first.get(key, 1 << 62) > due_ms}
    assert late == {}
    false = [alarm for alarm in found.alarms if alarm.nest not in {f"T{number}" for number in INCIDENTS}]
    assert len(false) <= NESTS * DAYS / 1000
    assert (found.counts.floods, found.counts.chattering) == (0, 0)
    assert found.counts.alarms / DAYS <= 10
