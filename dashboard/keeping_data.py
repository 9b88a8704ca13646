"""The door to sensord for the pages of colonies, placements, labels and probes, beside ``data.py``."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping
from io import StringIO
from urllib.parse import urlsplit

from dashboard import text_keeping as text
from dashboard.filling import colony_now
from dashboard.keeping_snapshot import Address, ColonyPast, Grid, Labelled, ProbeCheck, ProbeChecks, ProbePast
from dashboard.units import difference, sign
from dashboard.viewmodels import local_datetime, natural
from sensord.addresses import is_everywhere, is_loopback
from sensord.air.calibration import Calibration
from sensord.clock import MINUTE_MS, to_ms
from sensord.errors import NestclimateError
from sensord.keeping.colony import colonies
from sensord.keeping.table_files import write_csv
from sensord.keeping.tables import COLUMNS, nest_row, placement_row, table_rows
from sensord.model import Nest, NestKind, Place, Placement, Plug, Stage
from sensord.probe_checks import ProbeChecked
from sensord.settings import DashboardSettings
from sensord.wiring import Room

_log = logging.getLogger(__name__)
CHOICES: dict[str, dict[str, tuple[str, ...]]] = {
    "nests": {"kind": tuple(NestKind), "stage": ("", *Stage), "plug": ("", *Plug)},
    "placements": {"place": tuple(Place)},
}
CHECK_EVERY_MS = 5 * MINUTE_MS
_INSTANTS = ("since", "until")


class KeepingData:
    """Answers from any thread.

    Args:
        room_of: gives the calling thread's own room.
    """

    def __init__(self, room_of: Callable[[], Room]) -> None:
        self._room = room_of
        self._checks: ProbeChecks | None = None
        self._checked: tuple[object, float] | None = None

    def _now_ms(self) -> int:
        return to_ms(self._room().clock.now())

    def refresh(self) -> None:
        """Check every probe, unless that was done just now. The process calls it between requests, never a page.

        What fails is told on the page.
        """
        room, at_ms = self._room(), self._now_ms()
        try:
            known = (room.registry.mark("placements"), room.calibrations.version())
            if self._checked and self._checked[0] == known and at_ms - self._checked[1] < CHECK_EVERY_MS:
                return
            found = room.probe_checks.at(at_ms)
            self._checked = (known, at_ms)
        except NestclimateError as error:
            _log.warning("the probes cannot be checked now: %s", error)
            self._checks = ProbeChecks(at_ms, problem=str(error))
        else:
            self._checks = ProbeChecks(at_ms, {name: _check(one) for name, one in found.items()})

    def checks(self) -> ProbeChecks | None:
        """As last made by ``refresh``."""
        return self._checks

    def grid(self, table: str) -> Grid:
        """Nests as last told, or placements that are not over, with times on the room's own clock."""
        mark = self._room().registry.mark(table)  # first: a change in between is then found when something is saved
        return self._nests(mark) if table == "nests" else self._placements(mark)

    def _nests(self, mark: str) -> Grid:
        room = self._room()
        nests = sorted(room.registry.nests(), key=lambda nest: natural(nest.name))
        alive = room.registry.alive(self._now_ms())
        planned = {nest.name for nest in nests if nest.since_ms is not None and nest.since_ms > self._now_ms()}
        hints = {
            "species": tuple(sorted({*room.keeping.library, *(nest.species for nest in nests)} - {""})),
            "room": _distinct(nest.room for nest in nests),
            "rack": _distinct(nest.rack for nest in nests),
        }
        over = tuple(nest.name for nest in nests if nest.name not in alive | planned)
        rows = tuple(self._cells(nest) for nest in nests)
        return Grid("nests", COLUMNS["nests"], rows, mark, CHOICES["nests"], hints, over)

    def _placements(self, mark: str) -> Grid:
        room, now_ms = self._room(), self._now_ms()
        placed = [one for one in room.registry.placements() if one.until_ms is None or one.until_ms > now_ms]
        placed.sort(key=lambda one: (natural(one.probe), one.since_ms))
        nests = room.registry.nests()
        hints = {
            "probe": tuple(sorted({*room.store.probes(), *(one.probe for one in placed)}, key=natural)),
            "nest": tuple(sorted((nest.name for nest in nests), key=natural)),
            "room": _distinct([*(nest.room for nest in nests), *(one.room for one in placed)]),
        }
        rows = tuple(self._cells(one) for one in placed)
        return Grid("placements", COLUMNS["placements"], rows, mark, CHOICES["placements"], hints)

    def _cells(self, row: Nest | Placement) -> tuple[str, ...]:
        table, values = ("nests", nest_row(row)) if isinstance(row, Nest) else ("placements", placement_row(row))
        since_ms, until_ms = row.since_ms, getattr(row, "until_ms", None)
        instants = dict(zip(_INSTANTS, (since_ms, until_ms), strict=True))
        return tuple(
            self._local(instants[name]) if name in instants else _cell(value)
            for name, value in zip(COLUMNS[table], values, strict=True)
        )

    def _local(self, at_ms: int | None) -> str:
        """ISO 8601 with the room's own offset, so that it goes back in as it came out."""
        if at_ms is None:
            return ""
        at = local_datetime(at_ms, self._room().config.station.time_zone)
        return at.isoformat(timespec="milliseconds" if at.microsecond else "seconds")

    def csv(self, table: str) -> str:
        """The file that ``nestclimate export`` writes."""
        file = StringIO()
        write_csv(file, COLUMNS[table], [table_rows(table, self._room().registry)])
        return file.getvalue()

    def colony(self, name: str) -> ColonyPast | None:
        """By the name it goes by, else that of its nest."""
        registry, now_ms = self._room().registry, self._now_ms()
        history = registry.history()
        found = next((one for one in colonies(history, registry.entries(), now_ms) if one.name == name), None)
        if found is None:
            return None
        states = [nest for nest in history if name == (nest.colony or nest.name) and (nest.since_ms or 0) <= now_ms]
        states.sort(key=lambda nest: nest.since_ms or 0)
        return ColonyPast(
            colony_now(found),
            tuple((stay.nest, stay.from_ms, stay.until_ms) for stay in found.stays),
            tuple((nest.since_ms, nest.name, nest.species, str(nest.stage or "")) for nest in states),
            found.counts,
            tuple(sorted({nest.name for nest in history} - {found.stays[-1].nest}, key=natural)),
        )

    def probe(self, name: str) -> ProbePast | None:
        """Placed, calibrated or read at some time."""
        room = self._room()
        placements = tuple(room.registry.placements(probe=name))
        unit = room.config.dashboard.temperature_unit
        calibrations = tuple(
            (one.at_ms, str(one.method), _correction(one, unit)) for one in room.calibrations.for_probe(name)
        )
        checks = tuple(one for one in room.hand_checks.all() if one.probe == name)
        if not placements and not calibrations and room.store.span(name) is None:
            return None
        return ProbePast(name, placements, calibrations, checks)

    def hubs(self) -> tuple[str, ...]:
        """As in station.toml."""
        return tuple(hub.name for hub in self._room().config.hubs)

    def calibrated(self) -> Mapping[str, int]:
        """The instants of the last calibrations or checks up to now."""
        now_ms, room = self._now_ms(), self._room()
        found = {one.probe: one.at_ms for one in room.calibrations.all() if one.at_ms <= now_ms}
        for probe, at_ms in room.hand_checks.last(now_ms).items():
            found[probe] = max(at_ms, found.get(probe, at_ms))
        return found

    def labelled(self) -> tuple[Labelled, ...]:
        """By room, rack and name."""
        registry = self._room().registry
        alive = registry.alive(self._now_ms())
        nests = [nest for nest in registry.nests(self._now_ms()) if nest.name in alive]
        nests.sort(key=lambda nest: (natural(nest.room), natural(nest.rack), natural(nest.name)))
        return tuple(Labelled(nest.name, nest.species, nest.room, nest.rack) for nest in nests)

    def address(self) -> Address:
        """From the settings."""
        return address_of(self._room().config.dashboard)


def address_of(settings: DashboardSettings) -> Address:
    """Where a phone finds this dashboard by the settings, and what stands in its way."""
    link = (settings.link or f"http://{settings.host}:{settings.port}").rstrip("/")
    host = urlsplit(link).hostname or ""
    if not settings.link and not _reachable(host):
        return Address(link, text.LINK_MISSING.format(link=link, port=settings.port))
    if not _reachable(host):
        return Address(link, text.LINK_LOOPBACK.format(link=link, port=settings.port))
    if is_loopback(settings.host):
        return Address(link, text.LINK_NOT_LISTENING.format(host=settings.host))
    return Address(link)


def _reachable(host: str) -> bool:
    """Whether another machine could mean this one by that name or address."""
    return bool(host) and not is_loopback(host) and not is_everywhere(host)


def _check(found: ProbeChecked) -> ProbeCheck:
    flags, drift = tuple(sorted(found.flags)), found.drift
    if drift is None:
        return ProbeCheck(flags)
    return ProbeCheck(flags, drift.siblings, drift.hours, drift.temp_c, drift.rh_pct, drift.apart)


def _correction(one: Calibration, unit: str) -> str:
    """What a calibration does to a reading, in words."""
    temp = difference(one.temp_offset_c, unit) + 0.0
    return text.CORRECTION.format(temp=temp, sign=sign(unit), gain=one.rh_gain, rh=one.rh_offset_pct + 0.0)


def _cell(value: object) -> str:
    """Text as the CSV file has it; a whole number without its point."""
    if value is None:
        return ""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _distinct(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted({*words} - {""}, key=natural))
