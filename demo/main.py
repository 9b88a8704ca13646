"""Runs the whole line in the invented room: history first, then broker, recorder, watch, wall and both hubs."""

from __future__ import annotations

import argparse
import fcntl
import os
import shutil
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from demo.history import DATABASE, ensure_history
from demo.phone import Phone
from demo.room import HISTORY_DAYS, LIVE_FROM, LIVE_FROM_MS, STATION, hubs
from demo.setting import Choices, free_port, write_config
from demo.visitor import let_in
from sensord.clock import SystemClock, clock_from_environment
from sensord.config import load_config
from sensord.errors import InputError, NestclimateError
from sensord.process import log_to_stderr, stop_on_signals
from sensord.store.sqlite import SqliteStore
from sensord.supervisor import Supervisor, nestclimate_command
from sensord.wiring import Room

REPOSITORY = Path(__file__).resolve().parent.parent
LEAST_FREE_BYTES = 300_000_000


def main(arguments: Sequence[str] | None = None) -> int:
    """Run until Ctrl-C; 0, or 1 for a failure, 2 for bad input."""
    args = _arguments(arguments)
    stop = stop_on_signals()
    try:
        with _alone(args.folder):
            return _demo(args, stop)
    except NestclimateError as error:
        for problem in error.problems:
            print(f"demo: {problem}", file=sys.stderr)
        return error.exit_status
    except OSError as error:
        print(f"demo: {error}: is the disk full, or {args.folder} not yours?", file=sys.stderr)
        return 1


def _arguments(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="demo/run", description=f"{STATION}: an invented ant room on the real line.")
    parser.add_argument("--speed", type=float, default=60.0, metavar="N", help="room seconds in a real one (60)")
    parser.add_argument("--port", type=int, default=8050, help="of the wall (8050, or the next that is free)")
    parser.add_argument("--broker", default="", metavar="HOST:PORT", help="a running broker, say Mosquitto, instead")
    parser.add_argument("--phone", default="", metavar="URL", help="apprise address of a real phone instead")
    parser.add_argument("--for", type=float, default=0.0, dest="for_s", metavar="SECONDS", help="stop by itself then")
    parser.add_argument("--days", type=int, default=HISTORY_DAYS, help=f"days of history to store ({HISTORY_DAYS})")
    parser.add_argument("--folder", type=Path, default=REPOSITORY / "demo" / "room", help="where all of it is kept")
    args = parser.parse_args(arguments)
    for what, value, high in (
        ("speed", args.speed, 600),
        ("days", args.days, HISTORY_DAYS),
        ("port", args.port, 65535),
    ):
        if not 1 <= value <= high:
            parser.error(f"--{what} {value:g}: allowed is 1 to {high}")
    args.folder = args.folder.resolve()
    return args


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    folder.mkdir(parents=True, exist_ok=True)
    if shutil.disk_usage(folder).free < LEAST_FREE_BYTES:
        raise NestclimateError(f"{folder}: less than {LEAST_FREE_BYTES // 1_000_000} MB are free; make room first")
    with (folder / "lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(f"{folder}: another demo is running there; stop it, or name another --folder") from None
        yield


def _demo(args: argparse.Namespace, stop: threading.Event) -> int:
    history = _history(args.folder, args.days, stop)
    if history is None:
        return 130
    config = args.folder / "config"
    shutil.rmtree(config, ignore_errors=True)  # every run begins at the same instant of the same room
    (config / "data").mkdir(parents=True)
    shutil.copyfile(history / DATABASE, config / "data" / DATABASE)
    port = free_port(args.port)
    if port != args.port:
        print(f"port {args.port} is taken: the wall takes {port}")
    with ExitStack() as stack:
        phone = args.phone or stack.enter_context(Phone(_ring)).url
        write_config(config, Choices(port, args.broker, phone, args.speed))
        _set_clock(args.speed)
        with _log_to(args.folder / "line.log"):
            _line(config, history, stop, stack, args.for_s, f"http://127.0.0.1:{port}/")
    print("stopped")
    return 0


def _history(folder: Path, days: int, stop: threading.Event) -> Path | None:
    """The history, with a progress bar; plain lines where standard output is no terminal. None: asked to stop."""
    console = Console()
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:.0f} of {task.total:.0f} days"),
    )
    begun_s = time.monotonic()
    with Progress(*columns, TimeElapsedColumn(), console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("back-filling the room", total=days)

        def progress(done: int) -> None:
            bar.update(task, completed=done)
            if not console.is_terminal and (done % 10 == 0 or done == days):
                print(f"back-filling the room: {done} of {days} days", flush=True)
            if stop.is_set():
                raise KeyboardInterrupt

        try:
            found = ensure_history(folder, progress, days)
        except KeyboardInterrupt:
            return None
    print(f"{days} days of history are there ({time.monotonic() - begun_s:.0f} s)", flush=True)
    return found


def _set_clock(speed: float) -> None:
    """The room's time, for this process and every child."""
    origin = LIVE_FROM.isoformat().replace("+00:00", "Z")
    os.environ["NESTCLIMATE_CLOCK"] = f"{origin},{SystemClock().monotonic()},{speed}"


@contextmanager
def _log_to(file: Path) -> Iterator[None]:
    """What the processes log goes to a file; standard output stays for the keeper's phone."""
    kept = os.dup(2)
    with file.open("wb") as log:
        os.dup2(log.fileno(), 2)
    try:
        log_to_stderr("demo")
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _line(config: Path, history: Path, stop: threading.Event, stack: ExitStack, for_s: float, wall: str) -> None:
    room = Room(load_config(config), clock_from_environment())
    if room.config.broker and room.config.broker.embedded:
        stack.enter_context(room.embedded_broker())
    folder = str(config)
    commands = {name: nestclimate_command(folder, name) for name in ("record", "serve")}
    for hub in hubs():
        commands[hub] = [sys.executable, "-m", "demo.hub", folder, str(history), hub]
    most = threading.Thread(target=Supervisor(commands, SystemClock()).run, args=(stop,), name="line")
    most.start()
    try:
        _until_readings_come(config / "data" / DATABASE, stop)
        if for_s:
            timer = threading.Timer(for_s, stop.set)
            timer.daemon = True
            timer.start()
        print(f"\n{STATION}, an invented room, {room.clock.now():%d %B %Y}: the wall is at {wall}")
        name, password = let_in(room, config.parent)
        print(f"To tick, fill and acknowledge there, sign in as {name} with the password {password}")
        print(f"What the processes log: {config.parent / 'line.log'}. Stop with Ctrl-C.\n", flush=True)
        # The watch comes last: it would take the start-up of the hubs, much longer in fast time, for silence.
        Supervisor({"watch": nestclimate_command(folder, "watch")}, SystemClock()).run(stop)
    finally:
        stop.set()
        most.join()


def _until_readings_come(database: Path, stop: threading.Event, within_s: float = 60.0) -> None:
    """Wait for the first live reading to be in the store.

    Raises:
        NestclimateError: none came.
    """
    store = SqliteStore(database)
    deadline_s = time.monotonic() + within_s
    try:
        while not stop.wait(0.1):
            if any(reading.at_ms > LIVE_FROM_MS for reading in store.latest().values()):
                return
            if time.monotonic() > deadline_s:
                raise NestclimateError(f"no reading came within {within_s:g} s: see line.log beside the configuration")
    finally:
        store.close()


def _ring(title: str, text: str) -> None:
    first = text.strip().splitlines()
    print(f"  phone: {title}" + (f" | {' / '.join(first)}" if first else ""), flush=True)


if __name__ == "__main__":
    os.chdir(REPOSITORY)
    sys.exit(main())
