"""station.toml to settings: every mistake at once, each with file, key, value and what is allowed."""

from __future__ import annotations

import dataclasses
import os
import re
import tomllib
import types
import typing
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from sensord.errors import ConfigError
from sensord.settings import (
    REPEATED,
    SECTIONS,
    AlarmSettings,
    BrokerSettings,
    DashboardSettings,
    HubSettings,
    ProbeSettings,
    PushSettings,
    StationSettings,
    StoreSettings,
)

FILE = "station.toml"
_WRONG = object()


@dataclass(frozen=True, slots=True)
class Config:
    """The settings of one room. ``broker`` and ``push`` are None where their section is missing."""

    folder: Path
    station: StationSettings
    store: StoreSettings
    broker: BrokerSettings | None
    hubs: tuple[HubSettings, ...]
    probes: tuple[ProbeSettings, ...]
    push: PushSettings | None
    alarms: AlarmSettings
    dashboard: DashboardSettings

    @property
    def data(self) -> Path:
        """Folder for station.db and the outboxes."""
        return self.path(self.station.data)

    @property
    def zone(self) -> ZoneInfo:
        """The room's time zone."""
        return ZoneInfo(self.station.time_zone)

    def path(self, text: str) -> Path:
        """A path of the configuration, relative to its folder."""
        return self.folder / Path(text).expanduser()


def find_folder(given: str | None, environment: os._Environ[str] | dict[str, str] = os.environ) -> Path:
    """The configuration folder: as given, else $NESTCLIMATE_CONFIG, else ./config, else /etc/nestclimate.

    Raises:
        ConfigError: none of them holds a station.toml.
    """
    named = given or environment.get("NESTCLIMATE_CONFIG")
    candidates = [Path(named)] if named else [Path("config"), Path("/etc/nestclimate")]
    for folder in candidates:
        if (folder / FILE).is_file():
            return folder
    raise ConfigError(
        f"no {FILE} in {' or '.join(str(folder) for folder in candidates)}: "
        "name the configuration folder with --config DIR or NESTCLIMATE_CONFIG"
    )


def load_config(folder: Path) -> Config:
    """Read and check ``folder/station.toml``.

    Raises:
        ConfigError: one line a mistake, all of them.
    """
    file = folder / FILE
    try:
        document = tomllib.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ConfigError(f"{file}: cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"{file}: is no TOML ({error})") from error
    problems: list[str] = []
    sections = _sections(document, file, problems)
    _check_together(sections, folder, file, problems)
    if problems:
        raise ConfigError(*problems)
    return Config(
        folder=folder,
        station=sections["station"],
        store=sections["store"] or StoreSettings(),
        broker=sections["broker"],
        hubs=tuple(sections["hub"]),
        probes=tuple(sections["probe"]),
        push=sections["push"],
        alarms=sections["alarms"] or AlarmSettings(),
        dashboard=sections["dashboard"] or DashboardSettings(),
    )


def _sections(document: dict[str, Any], file: Path, problems: list[str]) -> dict[str, Any]:
    problems.extend(
        f"{file}: {name}: no such section; allowed are {', '.join(SECTIONS)}"
        for name in document
        if name not in SECTIONS
    )
    if "station" not in document:
        problems.append(f"{file}: station: the section [station] is missing; it may be empty")
    sections: dict[str, Any] = {}
    for name, kind in SECTIONS.items():
        found = document.get(name)
        if name in REPEATED:
            sections[name] = _tables(kind, name, found, file, problems)
        elif found is None:
            sections[name] = None
        elif isinstance(found, dict):
            sections[name] = _table(kind, name, found, file, problems)
        else:
            problems.append(f"{file}: {name} = {found!r}: allowed is a section [{name}]")
            sections[name] = None
    return sections


def _tables(kind: type, name: str, found: Any, file: Path, problems: list[str]) -> list[Any]:
    if found is None:
        return []
    if not isinstance(found, list) or not all(isinstance(item, dict) for item in found):
        problems.append(f"{file}: {name}: allowed is [[{name}]], once for each")
        return []
    return [_table(kind, f"{name}[{number}]", item, file, problems) for number, item in enumerate(found, 1)]


def _table(kind: type, where: str, found: dict[str, Any], file: Path, problems: list[str]) -> Any:
    hints = typing.get_type_hints(kind)
    fields = {item.name: item for item in dataclasses.fields(kind)}
    problems.extend(
        f"{file}: {where}.{name} = {found[name]!r}: no such key; allowed are {', '.join(fields)}"
        for name in found
        if name not in fields
    )
    values: dict[str, Any] = {}
    for name, item in fields.items():
        if name in found:
            value = _value(hints[name], item, f"{where}.{name}", found[name], file, problems)
            if value is not _WRONG:  # a wrong value leaves its default, so that the other checks still run
                values[name] = value
        elif item.metadata["required"]:
            problems.append(f"{file}: {where}.{name}: is missing ({item.metadata['doc']})")
    return kind(**values)


def _value(hint: Any, item: Any, where: str, value: Any, file: Path, problems: list[str]) -> Any:
    """One value, checked against its type and rules; its mistakes go to ``problems``."""
    if typing.get_origin(hint) is tuple:
        inner = typing.get_args(hint)[0]
        if dataclasses.is_dataclass(inner):
            return tuple(_tables(typing.cast(type, inner), where, value, file, problems))
        if not isinstance(value, list):
            problems.append(f"{file}: {where} = {value!r}: allowed is a list")
            return _WRONG
        found = tuple(_scalar(inner, item.metadata, where, each, file, problems) for each in value)
        return _WRONG if _WRONG in found else found
    if isinstance(hint, types.UnionType):
        hint = next(each for each in typing.get_args(hint) if each is not type(None))
    return _scalar(hint, item.metadata, where, value, file, problems)


def _scalar(kind: type, rules: Any, where: str, value: Any, file: Path, problems: list[str]) -> Any:
    names = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
    bounds = f"{rules['low']} to {rules['high']}"
    fits = isinstance(value, (int, float) if kind is float else kind) and (kind is bool) == isinstance(value, bool)
    if not fits:
        problems.append(f"{file}: {where} = {value!r}: allowed is {names[kind]}")
    elif rules["choices"] and value not in rules["choices"]:
        problems.append(f"{file}: {where} = {value!r}: allowed is {', '.join(rules['choices'])}")
    elif rules["pattern"] and not re.fullmatch(rules["pattern"], value):
        problems.append(f"{file}: {where} = {value!r}: allowed is {rules['words'] or rules['pattern']}")
    elif not _within(value, rules["low"], rules["high"]):
        problems.append(f"{file}: {where} = {value!r}: allowed is {rules['words'] or bounds}")
    else:
        return float(value) if kind is float else value
    return _WRONG


def _within(value: Any, low: float | None, high: float | None) -> bool:
    """NaN is within nothing."""
    return (low is None or value >= low) and (high is None or value <= high)


def _check_together(sections: dict[str, Any], folder: Path, file: Path, problems: list[str]) -> None:
    """Mistakes that show only when settings are seen side by side."""
    station = sections["station"] or StationSettings()
    try:
        ZoneInfo(station.time_zone)
    except (ValueError, OSError, KeyError):
        problems.append(
            f"{file}: station.time_zone = {station.time_zone!r}: allowed is an IANA name such as Europe/Lisbon"
        )
    _check_store(sections["store"], folder, file, problems)
    _check_hubs(sections["hub"], sections["probe"], folder, file, problems)
    broker = sections["broker"]
    if sections["hub"] and broker is None:
        problems.append(f"{file}: broker: is missing, but there is a [[hub]]; add [broker], or embedded = true in it")
    if broker and broker.embedded and broker.host not in {"127.0.0.1", "::1", "localhost"}:
        problems.append(
            f"{file}: broker.host = {broker.host!r}: an embedded broker listens on loopback, 127.0.0.1, only"
        )
    if broker:
        _check_file(broker.password_file, "broker.password_file", folder, file, problems)
        _check_file(broker.tls_ca_file, "broker.tls_ca_file", folder, file, problems)
    alarms = sections["alarms"] or AlarmSettings()
    if alarms.reservoir_urgent_days > alarms.reservoir_days:
        problems.append(
            f"{file}: alarms.reservoir_urgent_days = {alarms.reservoir_urgent_days:g}: allowed is up to "
            f"alarms.reservoir_days, {alarms.reservoir_days:g}"
        )
    for number, route in enumerate(sections["push"].route if sections["push"] else (), 1):
        if bool(route.url_file) == bool(route.url_env):
            problems.append(f"{file}: push.route[{number}].url_file: give either url_file or url_env")
        _check_file(route.url_file, f"push.route[{number}].url_file", folder, file, problems)
    if sections["push"]:
        _check_file(sections["push"].heartbeat_url_file, "push.heartbeat_url_file", folder, file, problems)
        if bool(sections["push"].quiet_from) != bool(sections["push"].quiet_until):
            problems.append(f"{file}: push.quiet_until: quiet_from and quiet_until go together; give both or neither")


def _check_store(store: StoreSettings | None, folder: Path, file: Path, problems: list[str]) -> None:
    if store is None or store.kind == "sqlite":
        return
    if not store.url:
        problems.append(f"{file}: store.url: is missing, but store.kind is {store.kind!r}")
    elif not store.url.startswith(("http://", "https://")):
        problems.append(f"{file}: store.url = {store.url!r}: allowed is http://HOST:PORT or https://HOST:PORT")
    problems.extend(
        f"{file}: store.{key}: is missing, but store.kind is 'influxdb'"
        for key in ("org", "bucket")
        if store.kind == "influxdb" and not getattr(store, key)
    )
    _check_file(store.token_file, "store.token_file", folder, file, problems)


def _check_hubs(
    hubs: list[HubSettings], probes: list[ProbeSettings], folder: Path, file: Path, problems: list[str]
) -> None:
    names = [hub.name for hub in hubs]
    for number, hub in enumerate(hubs, 1):
        if hub.name and names.index(hub.name) != number - 1:
            problems.append(f"{file}: hub[{number}].name = {hub.name!r}: there is a hub of that name already")
        if hub.air_file and hub.bus != "simulated":
            problems.append(f"{file}: hub[{number}].air_file = {hub.air_file!r}: allowed with bus = 'simulated' only")
        else:
            _check_file(hub.air_file, f"hub[{number}].air_file", folder, file, problems)
    seen: dict[tuple[object, ...], int] = {}
    for number, probe in enumerate(probes, 1):
        where = f"{file}: probe[{number}]"
        if probe.hub and probe.hub not in names:
            problems.append(f"{where}.hub = {probe.hub!r}: there is no [[hub]] of that name")
        if (probe.mux is None) != (probe.channel is None):
            missing = "channel" if probe.channel is None else "mux"
            problems.append(f"{where}.{missing}: is missing; mux and channel go together")
        for what in (("name", probe.hub, probe.name), ("address", probe.hub, probe.mux, probe.channel, probe.address)):
            first = seen.setdefault(what, number)
            if first != number and probe.hub and probe.name:
                problems.append(f"{where}.{what[0]} = {what[-1]!r}: probe[{first}] has it already on hub {probe.hub!r}")
    trunk = {(probe.hub, probe.address) for probe in probes if probe.mux is None}
    for number, probe in enumerate(probes, 1):
        if probe.mux is not None and (probe.hub, probe.address) in trunk:
            problems.append(
                f"{file}: probe[{number}].address = {probe.address:#x}: a probe on the bus itself has that address; "
                "beside a multiplexer use the other one, or put both behind it"
            )


def _check_file(text: str, where: str, folder: Path, file: Path, problems: list[str]) -> None:
    if text and not (folder / Path(text).expanduser()).is_file():
        problems.append(f"{file}: {where} = {text!r}: there is no such file")
