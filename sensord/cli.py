"""The command line: finds the command, loads the configuration, turns errors into one line each.

Each command is a module in sensord/commands/ with ``add(parser)`` and ``run(args, room) -> int``.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import os
import signal
import sqlite3
import sys
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType
from typing import NoReturn

from sensord import __version__
from sensord.clock import clock_from_environment
from sensord.config import Config, find_folder, load_config
from sensord.errors import ConfigError, MissingPartError, NestclimateError, how_to_install
from sensord.keeping.species import load_species
from sensord.wiring import Room

COMMANDS: dict[str, str] = {
    "record": "store what the hubs publish, and give them receipts",
    "import": "nests, placements, journal or readings from a CSV file",
    "export": "nests, placements, journal, readings or alarms to a CSV or Parquet file",
    "backup": "a whole copy of station.db while the station runs; how to restore it: hardware/README.md",
    "journal": "what you did or saw: journal add NEST KIND, list, withdraw ID",
    "outlook": "when each reservoir runs dry, and how sure that is",
    "review": "what the climate did before a die-off, and whether it is to blame",
    "losses": "how long colonies live, by rack, species, stage or room, and whether harsh air goes before deaths",
    "round": "what each nest needs today, and why",
    "check": "every mistake in the configuration at once, then whether bus, broker, store and push answer",
    "calibrate": "probes over saturated salts or side by side; alone it shows how",
    "probes": "what answers on each bus; 'probes identify', 'probes plan'",
    "sense": "read probes, keep the outbox, publish",
    "station": "record + watch + serve, and a broker where configured, under one supervisor",
    "serve": "the dashboard",
    "users": "who may sign in and write: users add NAME, list, remove NAME, password NAME",
    "watch": "alarms and push",
    "alarms": "the alarm log; 'alarms ack ID', 'alarms shelve ID', 'alarms out-of-service NAME', 'alarms in-service NAME'",
    "push": "what each route still owes; 'push test' sends a message over every route",
    "replay": "the alarms that these readings would raise under these bands",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Returns:
        0, or 1 for a failure, 2 for bad input.
    """
    try:
        status = _run(list(sys.argv[1:] if arguments is None else arguments))
        if sys.stdout is not None:
            sys.stdout.flush()
    except NestclimateError as error:
        return _tell(error.problems, error.exit_status)
    except KeyboardInterrupt:
        return _tell(
            ["interrupted; what was stored stays, and the same command may be given again"], 128 + signal.SIGINT
        )
    except BrokenPipeError:  # the reader of our output left, as `| head` does
        _drop_output()
        return 1
    except OSError as error:
        if error.filename is None:  # then it was the output
            _drop_output()
        return _tell([f"{error.filename or 'output'}: {error.strerror or error}"], 1)
    except sqlite3.Error as error:
        return _tell([f"database: cannot be used ({error}); keep the file, restore a backup if it is damaged"], 1)
    return status


def _tell(problems: Sequence[str], status: int) -> int:
    for problem in problems:
        print(f"nestclimate: {problem}", file=sys.stderr)
    return status


def _drop_output() -> None:
    """What waits to be written nowhere can be, so that leaving does not fail at it again."""
    if sys.stdout is not None:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


class _Parser(argparse.ArgumentParser):
    """Tells a mistake on the command line in one line."""

    def error(self, message: str) -> NoReturn:
        """End with status 2."""
        self.exit(2, f"{self.prog}: {message}; '{self.prog} --help' explains\n")


def _run(arguments: list[str]) -> int:
    parser = _Parser(
        prog="nestclimate",
        description="Watches the air in every ant nest of a room.",
        epilog="commands:\n" + "\n".join(f"  {name:10} {doc}" for name, doc in COMMANDS.items()),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"nestclimate {__version__}")
    parser.add_argument(
        "--config",
        metavar="DIR",
        help="the configuration folder (default: $NESTCLIMATE_CONFIG, else ./config, else /etc/nestclimate)",
    )
    parser.add_argument("command", nargs="?", choices=COMMANDS, metavar="COMMAND")
    parser.add_argument("rest", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    known = parser.parse_args(arguments)
    if known.command is None:
        parser.error("COMMAND is missing")
    name = "import_" if known.command == "import" else known.command  # `import` is a word of Python's own
    module = _command(name)
    command_parser = _Parser(prog=f"nestclimate {known.command}", description=COMMANDS[known.command])
    module.add(command_parser)
    args = command_parser.parse_args(known.rest)
    folder = find_folder(known.config)
    config = _load_everything(folder) if known.command == "check" else load_config(folder)
    status: int = module.run(args, Room(config, clock_from_environment()))
    return status


def _command(name: str) -> ModuleType:
    """The module of a command.

    Raises:
        MissingPartError: this installation lacks a package that it needs, as a hub's does.
    """
    try:
        return importlib.import_module(f"sensord.commands.{name}")
    except ModuleNotFoundError as error:
        raise MissingPartError(
            f"this command needs the package {error.name!r}, which a hub does without: {how_to_install('station')}"
        ) from error


def _load_everything(folder: Path) -> Config:
    """The configuration, with the mistakes of all its files at once."""
    problems: list[str] = []
    config: Config | None = None
    try:
        config = load_config(folder)
    except ConfigError as error:
        problems += error.problems
    try:
        load_species(folder)
    except ConfigError as error:
        problems += error.problems
    if problems or config is None:
        raise ConfigError(*problems)
    return config
