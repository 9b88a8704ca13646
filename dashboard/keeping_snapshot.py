"""What the pages of colonies, placements, labels and probes show: plain values. ``keeping_data.py`` fills them in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from dashboard.snapshot import ColonyNow
from sensord.keeping.hand_checks import HandCheck
from sensord.model import Placement


@dataclass(frozen=True, slots=True)
class Grid:
    """A table to edit: text in the columns of the CSV file, one row a nest as it stands or a placement that is not over.

    Attributes:
        mark: changes whenever anybody changes the table; sent back with what was edited.
        choices: the only words allowed in a column. hints: words that are usual there.
        over: keys of rows whose colony died.
    """

    table: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    mark: str
    choices: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    hints: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ColonyPast:
    """A colony through time.

    Attributes:
        stays: (nest, from, until), None for since always and still there. states: (since, nest, species, stage).
        counts: (at, workers), ascending. others: nests it could move to.
    """

    now: ColonyNow
    stays: tuple[tuple[str, int | None, int | None], ...]
    states: tuple[tuple[int | None, str, str, str], ...]
    counts: tuple[tuple[int, int], ...]
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ProbePast:
    """Where a probe sat, (at, method, what it says) of its calibrations, and its checks by hand, ascending in time."""

    name: str
    placements: tuple[Placement, ...]
    calibrations: tuple[tuple[int, str, str], ...]
    checks: tuple[HandCheck, ...] = ()


@dataclass(frozen=True, slots=True)
class Labelled:
    """A nest that may get a label."""

    name: str
    species: str
    room: str
    rack: str


@dataclass(frozen=True, slots=True)
class Address:
    """Where a phone would find this dashboard; ``problem`` says why it would not, and what to set."""

    link: str
    problem: str = ""


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """What the last days say of a probe.

    Attributes:
        flags: words of ``probes/quality.py``. siblings: probes of the same place and room it was compared with, over so
            many hours.
        temp_diff_c, rh_diff_pct: by how much it differs from their median; None where too few to compare. Humidity is
            compared as vapour pressure and told in % at the probe's own temperature.
        apart: whether it differs by more than its siblings do among themselves.
    """

    flags: tuple[str, ...] = ()
    siblings: int = 0
    hours: int = 0
    temp_diff_c: float | None = None
    rh_diff_pct: float | None = None
    apart: bool = False


@dataclass(frozen=True, slots=True)
class ProbeChecks:
    """Every probe as checked at ``at_ms``; ``problem`` says why it could not be."""

    at_ms: int
    by_probe: Mapping[str, ProbeCheck] = field(default_factory=dict)
    problem: str = ""


class KeepingSource(Protocol):
    """What those pages ask of ``keeping_data.py``. Every method may raise NestclimateError."""

    def grid(self, table: str) -> Grid:
        """``nests`` or ``placements`` as they stand."""

    def csv(self, table: str) -> str:
        """``nests``, ``placements`` or ``journal`` whole, as the command line exports it."""

    def colony(self, name: str) -> ColonyPast | None:
        """A colony through time; None where there never was one of that name."""

    def probe(self, name: str) -> ProbePast | None:
        """A probe through time; None where nobody ever heard of it."""

    def labelled(self) -> tuple[Labelled, ...]:
        """Every nest whose colony lives, by the way through the room."""

    def address(self) -> Address:
        """Of this dashboard, as a phone sees it."""

    def hubs(self) -> tuple[str, ...]:
        """Names of the hubs in the settings, whether ever heard or not."""

    def calibrated(self) -> Mapping[str, int]:
        """When each probe was calibrated or checked last; those that never were are missing."""

    def checks(self) -> ProbeChecks | None:
        """As last made beside the requests; None before the first."""
