"""What the page of probes says of each: the worst that is known of it, in a word. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dashboard import text_keeping as words
from dashboard.keeping_snapshot import ProbeCheck, ProbeChecks
from dashboard.snapshot import ProbeNow, Snapshot
from dashboard.viewmodels import natural
from sensord.model import Placement
from sensord.probes.quality import in_range

_TROUBLE = {"act": 0, "blind": 1, "drift": 2, "ok": 3}


@dataclass(frozen=True, slots=True)
class ProbeLine:
    """One probe. ``shape`` is a state's shape; ``quality`` a word; ``why`` its hub's own line, where it has one."""

    name: str
    placement: Placement | None
    shape: str
    quality: str
    why: str
    at_ms: int | None
    temp_c: float | None
    rh_pct: float | None
    check: ProbeCheck | None
    calibrated_ms: int | None


@dataclass(frozen=True, slots=True)
class Overview:
    """All probes, those with trouble first; ``checked_ms`` is None before the first check."""

    lines: tuple[ProbeLine, ...]
    checked_ms: int | None
    problem: str


def overview_of(
    probes: tuple[ProbeNow, ...], snapshot: Snapshot, checks: ProbeChecks | None, calibrated: Mapping[str, int]
) -> Overview:
    """Every probe that was heard, is placed, or ails by its hub's word."""
    faults = {name: line for hub in snapshot.hubs for name, line in hub.faults.items() if name != hub.name}
    known = {probe.name for probe in probes}
    all_of = [*probes, *(ProbeNow(name, None, None) for name in faults if name not in known)]
    by_probe = checks.by_probe if checks else {}
    lines = [
        _line(probe, snapshot, by_probe.get(probe.name), faults.get(probe.name, ""), calibrated.get(probe.name))
        for probe in all_of
    ]
    lines.sort(key=lambda line: (_TROUBLE[line.shape], line.placement is not None, natural(line.name)))
    return Overview(tuple(lines), checks.at_ms if checks else None, checks.problem if checks else "")


def _line(
    probe: ProbeNow, snapshot: Snapshot, check: ProbeCheck | None, fault: str, calibrated_ms: int | None
) -> ProbeLine:
    shape, quality = _quality(probe, snapshot, check, fault)
    return ProbeLine(
        probe.name,
        probe.placement,
        shape,
        quality,
        fault,
        probe.at_ms,
        probe.temp_c,
        probe.rh_pct,
        check,
        calibrated_ms,
    )


def _quality(probe: ProbeNow, snapshot: Snapshot, check: ProbeCheck | None, fault: str) -> tuple[str, str]:
    """The worst first: silent, impossible, what its hub or its last readings say."""
    if probe.at_ms is None or snapshot.at_ms - probe.at_ms > snapshot.silent_after_ms:
        return "blind", words.SILENT if probe.at_ms is not None else words.NO_READING
    if probe.temp_c is not None and probe.rh_pct is not None and not in_range(probe.temp_c, probe.rh_pct):
        return "act", words.FLAGS["out_of_range"]
    flags = check.flags if check else ()
    worst = next((flag for flag in ("out_of_range", "stuck", "condensed") if flag in flags), "")
    if worst:
        return "drift", words.FLAGS[worst]
    if fault:
        return "drift", words.FAULTY
    return ("drift", words.APART) if check and check.apart else ("ok", words.GOOD)
