"""All probes of one bus, read together: trigger every one, wait only what is left to wait, collect.

Measurements run side by side in the chips, so a scan of many probes takes little more than its wire time. A bad probe
stops nobody: it is asked once more after a soft reset, reported as what it is, and after three bad scans in a row it
rests and is asked once a minute.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from sensord.clock import Clock
from sensord.probes.bus import BusHeldError, OwnedBus, Trunk
from sensord.probes.faults import FaultKind, ProbeFault, doubts, fault, kind_of
from sensord.probes.quality import Flag, Trail, judge
from sensord.probes.sht31 import READY_AFTER_S, RESET_SEEN, Sht31, Words
from sensord.settings import ProbeSettings

REST_AFTER_SCANS = 3
REST_S = 60.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One paired measurement, raw, as the probe gave it.

    Attributes:
        taken_monotonic_s: when it was triggered, in the clock's monotonic seconds.
        temp_c: °C. rh_pct: %RH over water. flags: what is doubtful about it, most often nothing.
    """

    probe_full_name: str
    taken_monotonic_s: float
    temp_c: float
    rh_pct: float
    flags: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class Scan:
    """What one scan brought: a sample for each probe that gave one, and every fault."""

    samples: list[Sample]
    faults: list[ProbeFault]


@dataclass(slots=True)
class _Seat:
    """A probe in its place, and what is remembered of it from scan to scan."""

    probe: ProbeSettings
    driver: Sht31 | None = None
    soft_reset: bool = False
    triggered_s: float | None = None
    words: Words | None = None
    failure: FaultKind | None = None
    suspect: str = ""
    bad_scans: int = 0
    rests_until_s: float = 0.0
    trail: Trail = field(default_factory=Trail)
    status_known: bool = False
    reset_seen: bool = False

    @property
    def full_name(self) -> str:
        return f"{self.probe.hub}/{self.probe.name}"

    @property
    def where(self) -> tuple[int, int] | None:
        probe = self.probe
        return None if probe.mux is None or probe.channel is None else (probe.mux, probe.channel)

    def forget(self) -> None:
        """Nothing of the scan before."""
        self.triggered_s = self.words = self.failure = None
        self.suspect, self.reset_seen = "", False


class Scanner:
    """Reads all probes of one bus.

    Args:
        bus: has this scanner as its only user.
        probes: those of other hubs than ``hub`` are left out; all are taken where ``hub`` is blank.
    """

    def __init__(self, bus: OwnedBus, probes: Iterable[ProbeSettings], clock: Clock, *, hub: str = "") -> None:
        self._clock = clock
        mine = [probe for probe in probes if hub in {"", probe.hub}]
        # Neighbours on a channel stand together: it is opened once to trigger and once to collect.
        mine.sort(key=lambda probe: (probe.mux or 0, probe.channel or 0, probe.address))
        self._seats = [_Seat(probe) for probe in mine]
        self._trunk = Trunk(bus, (probe.mux for probe in mine if probe.mux is not None), clock)
        self._suspect = ""
        self._next_status = 0

    @property
    def probes(self) -> list[str]:
        """Full names, in scan order."""
        return [seat.full_name for seat in self._seats]

    def scan(self) -> Scan:
        """Read every probe once. Raises nothing for probes, multiplexers or a bus that fail: those are faults."""
        now_s = self._clock.monotonic()
        due = [seat for seat in self._seats if seat.rests_until_s <= now_s]
        for seat in due:
            seat.forget()
        try:
            self._session(due)
        except BusHeldError:
            self._give_up(due)
        for seat in due:
            self._count(seat)
        return self._outcome(due)

    def _session(self, due: list[_Seat]) -> None:
        with self._trunk:
            self._read(due)
            again = [seat for seat in due if seat.failure and seat.failure is not FaultKind.BUS_HELD]
            if again:
                self._trunk.ask_again()
                for seat in again:
                    seat.driver = seat.failure = seat.triggered_s = None
                    seat.soft_reset = True
                self._read(again)
            self._look_for_resets(due)
        self._suspect = next((seat.suspect for seat in due if seat.suspect), "")

    def _read(self, seats: Sequence[_Seat]) -> None:
        self._each(seats, self._build)
        self._each(seats, self._trigger)
        self._each(seats, self._collect)

    def _each(self, seats: Sequence[_Seat], step: Callable[[_Seat], None]) -> None:
        """One step for each seat that has not failed; an error is that seat's own, but for a held bus."""
        for seat in seats:
            if seat.failure:
                continue
            try:
                step(seat)
            except (OSError, RuntimeError, ValueError) as error:
                seat.failure = kind_of(error, triggered=seat.triggered_s is not None)
                if seat.failure is FaultKind.BUS_HELD:
                    self._free_from(seat)

    def _build(self, seat: _Seat) -> None:
        """The driver is built when its probe is first there, and anew, with a soft reset, after a failure."""
        if seat.driver is None:
            segment = self._trunk.segment(seat.probe.mux, seat.probe.channel)
            seat.driver = Sht31(segment, seat.probe.address, self._clock, soft_reset=seat.soft_reset)
            seat.status_known = seat.soft_reset = False

    def _trigger(self, seat: _Seat) -> None:
        if seat.driver is None:
            return
        seat.driver.trigger()
        seat.triggered_s = self._clock.monotonic()

    def _collect(self, seat: _Seat) -> None:
        if seat.driver is None or seat.triggered_s is None:
            return
        self._clock.sleep(seat.triggered_s + READY_AFTER_S - self._clock.monotonic())
        seat.words = seat.driver.collect()

    def _free_from(self, culprit: _Seat) -> None:
        """Cut the segment off that holds the bus, or give up this scan where the hub cannot."""
        where = culprit.where
        suspect = "what hangs on the bus itself"
        if where:
            suspect = f"what hangs on channel {where[1]} of multiplexer {where[0]:#x}"
        self._suspect = suspect
        if not self._trunk.recover():
            raise BusHeldError("the bus is held")
        for seat in self._seats:
            if seat.where == where and seat.words is None:
                seat.failure, seat.suspect = FaultKind.BUS_HELD, suspect

    def _give_up(self, due: list[_Seat]) -> None:
        for seat in due:
            if seat.words is None:
                seat.failure, seat.suspect, seat.driver = FaultKind.BUS_HELD, self._suspect, None

    def _look_for_resets(self, due: list[_Seat]) -> None:
        """Ask one probe a scan, in turn, whether it has restarted by itself; a note, nothing is decided on it."""
        fit = [seat for seat in due if seat.words and seat.driver]
        if not fit:
            return
        self._next_status = (self._next_status + 1) % len(fit)
        seat = fit[self._next_status]
        try:
            self._ask_status(seat)
        except (OSError, RuntimeError):
            return  # the next scan reads this probe and reports what ails it

    def _ask_status(self, seat: _Seat) -> None:
        if seat.driver is None:
            return
        if seat.status_known:
            seat.reset_seen = bool(seat.driver.read_status() & RESET_SEEN)
        if seat.reset_seen or not seat.status_known:
            seat.driver.clear_status()
            seat.status_known = True

    def _count(self, seat: _Seat) -> None:
        """Three bad scans in a row send a probe to rest."""
        if not seat.failure:
            seat.bad_scans = 0
            return
        seat.driver, seat.words, seat.soft_reset = None, None, True
        seat.bad_scans += 1
        if seat.bad_scans >= REST_AFTER_SCANS:
            seat.rests_until_s = self._clock.monotonic() + REST_S

    def _outcome(self, due: list[_Seat]) -> Scan:
        samples: list[Sample] = []
        # A resting probe's last failure stands.
        faults = [fault(seat.probe, seat.failure, suspect=seat.suspect) for seat in self._seats if seat.failure]
        for seat in due:
            if seat.words and seat.triggered_s is not None:
                sample = self._sample(seat, seat.words, seat.triggered_s)
                samples.append(sample)
                faults += doubts(seat.probe, sample.flags, sample.temp_c, sample.rh_pct)
        return Scan(samples, faults)

    def _sample(self, seat: _Seat, words: Words, taken_s: float) -> Sample:
        seat.trail, flags = judge(seat.trail, (words.temperature, words.humidity), words.temp_c, words.rh_pct, taken_s)
        if seat.reset_seen:
            flags |= {Flag.RESET_SEEN}
        return Sample(seat.full_name, taken_s, words.temp_c, words.rh_pct, flags)
