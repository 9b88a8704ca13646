"""Every setting: its section, type, default, bounds and meaning. The reader (config.py) and the docs follow this file.

A section is a frozen dataclass; each field is made by ``key``. Relative paths are relative to the configuration folder.
Secrets never stand in the configuration: a key that ends in ``_file`` names a file, one that ends in ``_env`` a variable.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from sensord.model import HUB_OR_PROBE, HUB_OR_PROBE_WORDS, NEST, NEST_WORDS

TIME_WORDS = "HH:MM"
TIME = r"(|([01][0-9]|2[0-3]):[0-5][0-9])"


def key(
    default: Any,
    doc: str,
    *,
    choices: tuple[str, ...] = (),
    low: float | None = None,
    high: float | None = None,
    pattern: str = "",
    words: str = "",
    required: bool = False,
) -> Any:
    """A setting: its default, what it means, and what is allowed (bounds include their ends).

    Args:
        words: what is allowed as a keeper says it, where a pattern or a number says it badly.
    """
    rules = {"doc": doc, "choices": choices, "low": low, "high": high, "pattern": pattern, "words": words}
    return field(default=default, metadata=rules | {"required": required})


def name_key(doc: str) -> Any:
    """The name of a hub, or of a probe on it."""
    return key("", doc, pattern=HUB_OR_PROBE.pattern, words=HUB_OR_PROBE_WORDS, required=True)


@dataclass(frozen=True, slots=True)
class StationSettings:
    """``[station]``, the only section that must be there."""

    name: str = key("ant room", "what the wall and the messages call this room")
    data: str = key("data", "folder for station.db and the outboxes")
    time_zone: str = key("UTC", "IANA time zone of the room, for everything on screen")
    hemisphere: str = key("north", "for seasons", choices=("north", "south"))


@dataclass(frozen=True, slots=True)
class StoreSettings:
    """``[store]``: where readings are kept."""

    kind: str = key(
        "sqlite",
        "the embedded store alone, or with a copy of all readings on a server",
        choices=("sqlite", "influxdb", "victoriametrics"),
    )
    url: str = key("", "of the server, http://HOST:PORT")
    org: str = key("", "InfluxDB organisation")
    bucket: str = key("", "InfluxDB bucket")
    token_file: str = key("", "file that holds the server's token")


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """``[broker]``: the MQTT broker."""

    host: str = key("127.0.0.1", "name or address")
    port: int = key(1883, "TCP port", low=1, high=65535)
    embedded: bool = key(False, "run a broker inside 'nestclimate station', on loopback: for one Pi")
    protocol: str = key("3.1.1", "MQTT version", choices=("3.1.1", "5"))
    username: str = key("", "blank: anonymous")
    password_file: str = key("", "file that holds the password")
    password_env: str = key("", "environment variable that holds the password")
    tls_ca_file: str = key("", "certificate authority; blank: no TLS")
    keepalive_s: int = key(10, "a dead connection is noticed after about twice that", low=5, high=600)


@dataclass(frozen=True, slots=True)
class HubSettings:
    """``[[hub]]``: one Raspberry Pi that reads probes."""

    name: str = name_key("of the hub, in topics and probe names")
    bus: str = key("pi", "the Pi's I2C bus, or a simulated one", choices=("pi", "simulated"))
    bus_number: int = key(1, "N of /dev/i2c-N", low=0, high=32)
    every_s: int = key(60, "seconds from scan to scan", low=1, high=3600)
    clock: str = key(
        "auto",
        "when to believe the machine's clock: 'synchronised' by a time server only, 'trusted' always (a battery clock), "
        "'auto': synchronised on a Raspberry Pi, trusted elsewhere",
        choices=("auto", "synchronised", "trusted"),
    )
    outbox_rows: int = key(
        2_000_000, "most readings the outbox keeps before it thins the oldest", low=1_000, high=50_000_000
    )
    air_file: str = key("", "simulated bus only: readings CSV that says what the air is at each probe")


@dataclass(frozen=True, slots=True)
class ProbeSettings:
    """``[[probe]]``: one SHT31 on a hub."""

    hub: str = name_key("the hub it hangs on")
    name: str = name_key("of the probe on that hub")
    address: int = key(0x44, "0x45 with ADDR tied high", low=0x44, high=0x45, words="0x44 or 0x45")
    mux: int | None = key(
        None,
        "address of the multiplexer it hangs behind; blank: on the bus itself",
        low=0x70,
        high=0x77,
        words="0x70 to 0x77",
    )
    channel: int | None = key(None, "channel of that multiplexer", low=0, high=7)


@dataclass(frozen=True, slots=True)
class RouteSettings:
    """``[[push.route]]``: one way to reach somebody."""

    name: str = key("", "of the route, in the delivery log", pattern=NEST.pattern, words=NEST_WORDS, required=True)
    url_file: str = key("", "file that holds the apprise address (it is a secret)")
    url_env: str = key("", "environment variable that holds the apprise address")
    priorities: tuple[str, ...] = key(
        ("low", "medium", "high"), "which alarms go this way", choices=("low", "medium", "high")
    )
    escalation: bool = key(
        False, "a way to somebody else: only for medium and high alarms that nobody acknowledged in time"
    )


@dataclass(frozen=True, slots=True)
class PushSettings:
    """``[push]``: messages to the keeper's phone."""

    route: tuple[RouteSettings, ...] = key((), "the ways, each its own [[push.route]]")
    quiet_from: str = key(
        "", "from then on only high alarms are told, in the room's time; blank: never", pattern=TIME, words=TIME_WORDS
    )
    quiet_until: str = key("", "until then; what was held back is told then", pattern=TIME, words=TIME_WORDS)
    remind_min: int = key(
        60, "a high alarm that nobody acknowledged is told again after so many minutes", low=5, high=1440
    )
    escalate_after_min: int = key(
        30,
        "a medium or high alarm that nobody acknowledged so many minutes after it was told goes to the routes with "
        "escalation = true as well",
        low=1,
        high=1440,
    )
    heartbeat_url_file: str = key(
        "", "file that holds an address asked as long as the watch lives: who misses it, calls you"
    )
    heartbeat_url_env: str = key("", "environment variable that holds it")
    heartbeat_every_s: int = key(300, "seconds between", low=30, high=86_400)


@dataclass(frozen=True, slots=True)
class AlarmSettings:
    """``[alarms]``."""

    silent_after_s: int = key(900, "a probe without a reading for that long is silent", low=60, high=86_400)
    hub_down_after_s: int = key(
        300,
        "a hub that has been down for that long is told; a restart with an update takes up to five minutes",
        low=15,
        high=3600,
    )
    dry_after_s: int = key(900, "so long below the humidity limit before the alarm", low=60, high=86_400)
    wet_after_s: int = key(900, "so long above the humidity limit before the alarm", low=60, high=86_400)
    hot_after_s: int = key(180, "so long above the temperature limit before the alarm", low=60, high=86_400)
    cold_after_s: int = key(600, "so long below the temperature limit before the alarm", low=60, high=86_400)
    very_hot_margin_c: float = key(3.0, "so far above the limit is urgent and told within a minute", low=0.5, high=20)
    deadband_temp_c: float = key(0.5, "an alarm clears only so far inside the limit", low=0.5, high=10)
    deadband_rh_pct: float = key(3.0, "an alarm clears only so far inside the limit", low=3, high=30)
    swing_temp_c: float = key(6.0, "more change of temperature than that within an hour is a swing", low=2, high=30)
    reservoir_days: float = key(
        7.0, "a reservoir with fewer days left is low: told once, drifting on the wall", low=1, high=60
    )
    reservoir_urgent_days: float = key(
        2.0, "and with fewer than that it is due: urgent, act on the wall", low=0.5, high=30
    )


@dataclass(frozen=True, slots=True)
class DashboardSettings:
    """``[dashboard]``."""

    host: str = key("127.0.0.1", "address to listen on; loopback until told otherwise")
    port: int = key(8050, "TCP port", low=1, high=65535)
    open_to: str = key("", "network that may look beside loopback, such as 192.168.1.0/24; blank: nobody")
    link: str = key(
        "",
        "address of the dashboard as a phone sees it, for links in messages; blank: http://HOST:PORT, with this machine's name where host is 0.0.0.0",
    )
    temperature_unit: str = key("C", "°C or °F on every page; commands, CSV and JSON stay in °C", choices=("C", "F"))


SECTIONS: dict[str, type] = {
    "station": StationSettings,
    "store": StoreSettings,
    "broker": BrokerSettings,
    "hub": HubSettings,
    "probe": ProbeSettings,
    "push": PushSettings,
    "alarms": AlarmSettings,
    "dashboard": DashboardSettings,
}
REPEATED = ("hub", "probe")
