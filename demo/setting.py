"""Writes the configuration folder of the demo: station.toml and the address of the keeper's phone."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path

from demo.room import STATION, TIME_ZONE, hubs, wiring
from sensord.errors import InputError

SCAN_EVERY_S = 60


@dataclass(frozen=True, slots=True)
class Choices:
    """What the person who runs the demo may choose.

    Attributes:
        broker: HOST:PORT of a running broker without password, or empty for the embedded one. phone: apprise address.
    """

    port: int
    broker: str
    phone: str
    speed: float


def write_config(folder: Path, choices: Choices) -> None:
    """Write ``folder/station.toml`` and the secret address beside it.

    Raises:
        InputError: the broker is not HOST:PORT.
    """
    folder.mkdir(parents=True, exist_ok=True)
    phone = folder / "phone.txt"
    phone.touch(mode=0o600)
    phone.write_text(choices.phone + "\n", encoding="utf-8")
    lines = [
        "# Written by demo/run at every start.",
        "[station]",
        f'name = "{STATION}"',
        f'time_zone = "{TIME_ZONE}"',
        "",
        "[broker]",
        *_broker(choices.broker),
        "",
        "[dashboard]",
        f"port = {choices.port}",
        "",
        "[push]",
        "[[push.route]]",
        'name = "phone of Mara"',
        'url_file = "phone.txt"',
        "",
    ]
    every_s = scan_every_s(choices.speed)
    for hub in hubs():
        lines += ["[[hub]]", f'name = "{hub}"', 'bus = "simulated"', 'clock = "trusted"', f"every_s = {every_s}", ""]
    for probe in wiring():
        lines += ["[[probe]]", f'hub = "{probe.hub}"', f'name = "{probe.name}"', f"address = {probe.address:#x}"]
        lines += [f"mux = {probe.mux:#x}", f"channel = {probe.channel}", ""]
    half = folder / "station.toml.half"
    half.write_text("\n".join(lines), encoding="utf-8")
    half.replace(folder / "station.toml")


def scan_every_s(speed: float) -> int:
    """Once a minute of the room's time, but at most four scans in a real second: the machine has other work."""
    return max(SCAN_EVERY_S, round(speed / 4))


def free_port(wanted: int = 0) -> int:
    """That TCP port on loopback if it is free, else one that is."""
    for port in (wanted, 0):
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise InputError("no TCP port is free on loopback")


def _broker(text: str) -> list[str]:
    if not text:
        return [f"port = {free_port()}", "embedded = true"]
    host, colon, port = text.rpartition(":")
    if not colon or not host or not port.isdecimal() or not 0 < int(port) < 65536 or '"' in host or "\\" in host:
        raise InputError(f"--broker {text!r}: allowed is HOST:PORT, for example 127.0.0.1:1883")
    return [f'host = "{host}"', f"port = {int(port)}"]
