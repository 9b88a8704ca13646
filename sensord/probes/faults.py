"""What can be wrong with a probe, told as what it is: one kind, one line, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from sensord.probes.bus import MuxSilentError, Trunk
from sensord.probes.quality import Flag
from sensord.settings import ProbeSettings


class FaultKind(StrEnum):
    """The first five mean that there is no reading; the others doubt the reading there is."""

    ABSENT = "absent"
    NO_ANSWER = "no_answer"
    BAD_CRC = "bad_crc"
    NO_ANSWER_MUX = "no_answer_mux"
    BUS_HELD = "bus_held"
    OUT_OF_RANGE = "out_of_range"
    CONDENSED = "condensed"
    STUCK = "stuck"
    RESET_SEEN = "reset_seen"


_TEXTS = {
    FaultKind.ABSENT: "does not answer {seat}; check its plug, its cable and its address",
    FaultKind.NO_ANSWER: "took the command {seat} but gave no measurement; check its supply and the cable length",
    FaultKind.BAD_CRC: "answers {seat} with wrong checksums; check cable length, pull-ups, and for a second probe there",
    FaultKind.NO_ANSWER_MUX: "cannot be reached {seat}: the multiplexer does not answer; check its supply and address",
    FaultKind.BUS_HELD: "cannot be reached {seat}: the bus is held low{suspect}; unplug probes one by one, "
    "power-cycle the multiplexers",
    FaultKind.OUT_OF_RANGE: "reads {temp_c:.1f} °C and {rh_pct:.1f} %RH {seat}, which no ant room has; check the cable, "
    "else replace it",
    FaultKind.CONDENSED: "has been at 99.5 %RH or above for a quarter of an hour {seat}: water may stand on it; "
    "move it off the wet cotton or let it dry",
    FaultKind.STUCK: "has given the very same words for hours {seat}; unplug it for ten seconds, else replace it",
    FaultKind.RESET_SEEN: "has restarted by itself {seat}; its supply dips: check the cable and the power supply",
}


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """One thing wrong with one probe in one scan. ``text`` is complete in itself."""

    probe_full_name: str
    kind: FaultKind
    text: str


def seat_of(probe: ProbeSettings) -> str:
    """Where a probe hangs, in words: ``at 0x44 behind multiplexer 0x70 channel 3``."""
    behind = "" if probe.mux is None else f" behind multiplexer {probe.mux:#x} channel {probe.channel}"
    return f"at {probe.address:#x}{behind}"


def fault(
    probe: ProbeSettings, kind: FaultKind, *, suspect: str = "", temp_c: float = 0.0, rh_pct: float = 0.0
) -> ProbeFault:
    """The fault in words."""
    name = f"{probe.hub}/{probe.name}"
    hint = f", most likely by {suspect}" if suspect else ""
    text = _TEXTS[kind].format(seat=seat_of(probe), suspect=hint, temp_c=temp_c, rh_pct=rh_pct)
    return ProbeFault(name, kind, f"probe {name} {text}")


def doubts(probe: ProbeSettings, flags: frozenset[Flag], temp_c: float, rh_pct: float) -> list[ProbeFault]:
    """The faults that a reading's flags stand for."""
    return [fault(probe, FaultKind(flag.value), temp_c=temp_c, rh_pct=rh_pct) for flag in sorted(flags)]


def kind_of(error: Exception, *, triggered: bool) -> FaultKind:
    """What an error of the driver means: it says 'not there' by ``ValueError`` and a checksum by ``RuntimeError``."""
    cause: BaseException | None = error
    while cause is not None:
        if isinstance(cause, OSError) and Trunk.is_held(cause):
            return FaultKind.BUS_HELD
        if isinstance(cause, MuxSilentError):
            return FaultKind.NO_ANSWER_MUX
        cause = cause.__cause__ or cause.__context__
    if isinstance(error, RuntimeError):
        return FaultKind.BAD_CRC
    return FaultKind.NO_ANSWER if triggered else FaultKind.ABSENT
