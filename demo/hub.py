"""One hub of the demo as a process: the real scanner, driver, outbox and link; only bus and chips are simulated."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

from demo.incidents import Script
from demo.live import LiveRoom
from sensord.clock import Clock, clock_from_environment, to_ms
from sensord.config import load_config
from sensord.errors import NestclimateError
from sensord.link.sensing import Scanned, Sense
from sensord.probes.scan import Scanner
from sensord.probes.simulated import SimulatedBus
from sensord.probes.simulated_chips import SimulatedSHT31
from sensord.process import log_to_stderr, stop_on_signals
from sensord.wiring import Room


class ScriptedScanner:
    """A scanner whose probes come loose when the script says so."""

    def __init__(self, scanner: Scanner, chips: Mapping[str, SimulatedSHT31], script: Script, clock: Clock) -> None:
        self._scanner, self._chips, self._script, self._clock = scanner, chips, script, clock

    def scan(self) -> Scanned:
        """Read every probe once."""
        loose = {name.lower() for name in self._script.unplugged(to_ms(self._clock.now()))}
        for name, chip in self._chips.items():
            chip.unplugged = name in loose
        return self._scanner.scan()


def main(arguments: Sequence[str]) -> int:
    """``python -m demo.hub CONFIG HISTORY HUB``: until SIGTERM or Ctrl-C."""
    config_folder, history, hub_name = arguments
    log_to_stderr(hub_name)
    stop = stop_on_signals()
    room = Room(load_config(Path(config_folder)), clock_from_environment())
    hub = next(hub for hub in room.config.hubs if hub.name == hub_name)
    script = Script()
    with closing(room.outbox(hub)) as outbox:
        Sense(
            hub,
            _scanner(room, hub_name, LiveRoom(Path(history), script), script),
            outbox,
            lambda subscriber, will: room.link(f"nestclimate-hub-{hub_name}", subscriber, will),
            room.clock,
            room.machine,
        ).run(stop)
    return 0


def _scanner(room: Room, hub_name: str, live: LiveRoom, script: Script) -> ScriptedScanner:
    bus = SimulatedBus(room.clock)
    chips = {
        probe.name: bus.add_sht31(probe.address, live.air(f"{hub_name}/{probe.name}"), probe.mux, probe.channel)
        for probe in room.config.probes
        if probe.hub == hub_name
    }
    return ScriptedScanner(Scanner(bus, room.config.probes, room.clock, hub=hub_name), chips, script, room.clock)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except NestclimateError as error:
        print("\n".join(error.problems), file=sys.stderr)
        sys.exit(error.exit_status)
