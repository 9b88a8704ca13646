"""What the keeper did in the history: filled, looked, topped up, renewed barriers, fed, counted, and once found a colony dead."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from demo.incidents import Script
from demo.physics import State
from demo.room import DIED, DRY, HISTORY_FROM_MS, Housing
from sensord.clock import DAY_MS, HOUR_MS
from sensord.model import Entry, EntryKind, NestKind, Stage

ROUND_EVERY_DAYS = 7
LEVEL_EVERY_ROUNDS = 3
LOW_ML = 1.5
MISREAD_ML = 0.2
DRY_START_ML = 3.0964  # so that B4 reaches its dry limit within the hour after the room goes live
WORKERS = {Stage.FOUNDING: 0, Stage.NANITIC: 7, Stage.GROWING: 90, Stage.ESTABLISHED: 650}


class Keeper:
    """Makes a round once a week and writes it into the journal. One nest, B4, is always forgotten."""

    def __init__(self, housings: Sequence[Housing], script: Script, seed: int) -> None:
        self._housings, self._script = housings, script
        self._rng = np.random.default_rng([seed, 11])
        self.journal: list[Entry] = []

    def start_ml(self) -> np.ndarray:
        """Water in every reservoir at the first round, and the journal's entries about it."""
        amounts = self._rng.uniform(0.3, 1.0, len(self._housings)) * [h.nest.reservoir_ml or 0 for h in self._housings]
        for number, housing in enumerate(self._housings):
            name = housing.nest.name
            if name == DRY:
                amounts[number] = DRY_START_ML
            at_ms = HISTORY_FROM_MS + number * 60_000
            self._note(at_ms, name, EntryKind.FILL, round(float(amounts[number]), 1), "mL")
            self._count(at_ms, housing)
        return amounts

    def visit(self, state: State) -> None:
        """What the keeper does at this instant, if anything."""
        since_ms = state.at_ms - HISTORY_FROM_MS
        if state.at_ms == self._script.died_at_ms:
            self._note(state.at_ms, DIED, EntryKind.DIED, note="all workers dead, queen too; mat was hot to the touch")
        if since_ms % DAY_MS == 10 * HOUR_MS:
            self._feed(state.at_ms, since_ms // DAY_MS)
        if since_ms % (ROUND_EVERY_DAYS * DAY_MS) == 2 * HOUR_MS and since_ms > DAY_MS:
            self._round(state, since_ms // (ROUND_EVERY_DAYS * DAY_MS))

    def _round(self, state: State, number: int) -> None:
        for index, housing in enumerate(self._housings):
            name, water_ml = housing.nest.name, float(state.water_ml[index])
            if name == DRY or not self._alive(name, state.at_ms):
                continue
            if water_ml < LOW_ML:
                added_ml = 0.7 * (housing.nest.reservoir_ml or 0.0)
                state.water_ml[index] += added_ml
                told = round(added_ml * float(self._rng.normal(1.0, 0.04)), 1)
                self._note(state.at_ms, name, EntryKind.TOP_UP, told, "mL")
            elif number % LEVEL_EVERY_ROUNDS == index % LEVEL_EVERY_ROUNDS:
                seen = max(0.0, round(water_ml + float(self._rng.normal(0.0, MISREAD_ML)), 1))
                self._note(state.at_ms, name, EntryKind.LEVEL, seen, "mL")
            if housing.nest.kind == NestKind.FORMICARIUM:
                self._note(state.at_ms, name, EntryKind.BARRIER)
            if number % 4 == 0:
                self._count(state.at_ms, housing)

    def _feed(self, at_ms: int, day: int) -> None:
        for index, housing in enumerate(self._housings):
            if housing.shelf.target_c is None or not self._alive(housing.nest.name, at_ms):
                continue  # who rests is not fed
            if (day + index) % 3 == 0:
                self._note(at_ms, housing.nest.name, EntryKind.FEED_SUGAR)
            if (day + index) % 4 == 1:
                self._note(at_ms, housing.nest.name, EntryKind.FEED_PROTEIN)
            if (day + index) % 4 == 2:
                self._note(at_ms, housing.nest.name, EntryKind.LEFTOVERS_OUT)

    def _count(self, at_ms: int, housing: Housing) -> None:
        workers = WORKERS[housing.nest.stage or Stage.NANITIC]
        self._note(
            at_ms,
            housing.nest.name,
            EntryKind.COUNT,
            float(max(1, round(workers * self._rng.uniform(0.8, 1.2)))),
            "workers",
        )

    def _alive(self, name: str, at_ms: int) -> bool:
        return name != DIED or at_ms < self._script.died_at_ms

    def _note(
        self, at_ms: int, nest: str, kind: EntryKind, amount: float | None = None, unit: str = "", note: str = ""
    ) -> None:
        self.journal.append(Entry(at_ms, nest, kind, amount, unit, note, by="Mara"))
