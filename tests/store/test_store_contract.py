"""The contract suite over every adapter."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from store_contract import StoreContract

from sensord.store.base import ReadingStore
from sensord.store.memory import MemoryStore
from sensord.store.sqlite import SqliteStore


class TestMemory(StoreContract):
    """The store in memory."""

    def fresh(self) -> ReadingStore:
        return MemoryStore()


class TestSqlite(StoreContract):
    """The embedded store."""

    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path):
        self.folder, self.numbers, self.opened = tmp_path, itertools.count(), []
        yield
        for store in self.opened:
            store.close()

    def fresh(self) -> ReadingStore:
        self.opened.append(SqliteStore(self.folder / f"{next(self.numbers)}.db"))
        return self.opened[-1]
