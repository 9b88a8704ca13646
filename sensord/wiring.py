"""The composition root: the only module that names concrete adapters. Everything is built when first asked for."""

from __future__ import annotations

import importlib
from functools import cached_property
from types import ModuleType
from typing import TYPE_CHECKING

from sensord.errors import MissingPartError

if TYPE_CHECKING:
    from pathlib import Path

    from sensord.clock import Clock
    from sensord.config import Config


class Room:
    """One configured room: its settings, its clock, and the adapters that serve it.

    What it returns belongs to the calling thread; build another Room for another thread.
    """

    def __init__(self, config: Config, clock: Clock) -> None:
        self.config, self.clock = config, clock

    @cached_property
    def database(self) -> Path:
        """The station's SQLite file."""
        self.config.data.mkdir(parents=True, exist_ok=True)
        return self.config.data / "station.db"

    def part(self, module: str, extra: str) -> ModuleType:
        """A module whose packages not every installation has.

        Raises:
            MissingPartError: says which extra to install.
        """
        try:
            return importlib.import_module(module)
        except ModuleNotFoundError as error:
            raise MissingPartError(
                f"{module} needs the package {error.name!r}: install it with pip install 'nestclimate[{extra}]'"
            ) from error
