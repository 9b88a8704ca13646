"""What the invented room has for the pages of colonies, placements, labels and probes."""

from __future__ import annotations

import csv
import io

from dashboard.keeping_data import CHOICES
from dashboard.keeping_snapshot import Address, ColonyPast, Grid, Labelled, ProbeCheck, ProbeChecks, ProbePast
from sensord.clock import DAY_MS
from sensord.keeping.tables import COLUMNS, nest_row, placement_row

LINK = "http://192.168.1.20:8050"


class InventedKeeping:
    """A KeepingSource over an InventedRoom."""

    def __init__(self, room) -> None:
        self._room = room

    def _rows(self, table):
        nests = self._room.snapshot().nests
        if table == "nests":
            return [nest_row(now.nest) for now in nests]
        return [placement_row(now.placement) for now in nests if now.placement]

    def grid(self, table: str) -> Grid:
        rows = tuple(tuple("" if cell is None else str(cell) for cell in row) for row in self._rows(table))
        return Grid(table, COLUMNS[table], rows, "m", CHOICES[table])

    def csv(self, table: str) -> str:
        file = io.StringIO()
        csv.writer(file).writerows([COLUMNS[table], *(self._rows(table) if table != "journal" else [])])
        return file.getvalue()

    def colony(self, name: str) -> ColonyPast | None:
        now = next((one for one in self._room.colonies() if one.name == name), None)
        if now is None:
            return None
        at_ms = self._room.snapshot().at_ms
        stays = ((f"{name}", None, at_ms - 40 * DAY_MS), ("A-02", at_ms - 40 * DAY_MS, None))
        states = ((None, name, now.species, "founding"), (at_ms - 40 * DAY_MS, "A-02", now.species, "nanitic"))
        return ColonyPast(now, stays, states, ((at_ms - 20 * DAY_MS, 6), (at_ms - DAY_MS, 14)))

    def probe(self, name: str) -> ProbePast | None:
        found = tuple(
            now.placement for now in self._room.snapshot().nests if now.placement and now.placement.probe == name
        )
        return (
            ProbePast(name, found, ((self._room.snapshot().at_ms - 90 * DAY_MS, "salt", "temperature +0.10 °C"),))
            if found
            else None
        )

    def labelled(self) -> tuple[Labelled, ...]:
        return tuple(
            Labelled(now.nest.name, now.species, now.nest.room, now.nest.rack) for now in self._room.snapshot().nests
        )

    def address(self) -> Address:
        return Address(LINK)

    def hubs(self) -> tuple[str, ...]:
        return tuple(hub.name for hub in self._room.snapshot().hubs)

    def calibrated(self):
        now = self._room.snapshot()
        return {
            one.placement.probe: now.at_ms - n * 9 * DAY_MS
            for n, one in enumerate(now.nests)
            if one.placement and n % 3
        }

    def checks(self) -> ProbeChecks | None:
        now = self._room.snapshot()
        names = [one.placement.probe for one in now.nests if one.placement]
        found = {name: ProbeCheck((), 9, 72, 0.1 * (n % 5 - 2), n % 7 - 3.0) for n, name in enumerate(names)}
        for n, check in ((3, ProbeCheck(("condensed",), 9, 72, 0.1, 9.0, True)), (7, ProbeCheck(("stuck",), 2))):
            if n < len(names):
                found[names[n]] = check
        return ProbeChecks(now.at_ms - 240_000, found)
