"""Run inside an environment with the hub core alone: it senses, without the heavy packages and from the wheel.

Commands that need more say so in one line.
"""

import importlib
import importlib.util
import pkgutil
import tempfile
from pathlib import Path

import sensord
import sensord.link
import sensord.probes
from sensord.cli import COMMANDS, main
from sensord.clock import SystemClock
from sensord.config import load_config
from sensord.link.memory import MemoryBroker, MemoryLink
from sensord.link.sensing import Sense
from sensord.wiring import Room

NOT_ON_A_HUB = ("numpy", "dash", "influxdb_client", "apprise", "amqtt")
STATION_ONLY = {"sensord.link.broker"}

found = [name for name in NOT_ON_A_HUB if importlib.util.find_spec(name)]
assert not found, f"a hub must not need {found}"
assert "site-packages" in str(sensord.__file__), f"not from the wheel: {sensord.__file__}"
for package in (sensord.link, sensord.probes):
    for module in pkgutil.iter_modules(package.__path__, package.__name__ + "."):
        if module.name not in STATION_ONLY:
            importlib.import_module(module.name)

STATION = """[station]
[broker]
port = 1
[[hub]]
name = "loft"
bus = "simulated"
[[probe]]
hub = "loft"
name = "a"
"""
WITHOUT_HARM = [
    "outlook",
    "review T-1",
    "losses",
    "round",
    "serve",
    "watch",
    "users list",
    "replay --from 2026-01-01T00:00:00Z --to 2026-01-02T00:00:00Z",
    "probes",
    "probes plan",
]

with tempfile.TemporaryDirectory() as folder:
    (Path(folder) / "station.toml").write_text(STATION)
    room = Room(load_config(Path(folder)), SystemClock())
    (hub,) = room.config.hubs
    outbox = room.outbox(hub)
    broker = MemoryBroker()
    sense = Sense(
        hub, room.scanner("loft"), outbox, lambda s, w: MemoryLink(broker, "hub", s, w), room.clock, room.machine
    )
    sense.scan_once()
    assert outbox.last_seq == 1, "nothing was sensed"
    outbox.close()
    for command in WITHOUT_HARM:
        assert command.split()[0] in COMMANDS
        main(["--config", folder, *command.split()])  # an exception that is none of ours ends this script
