"""The scanner: all probes together, each fault told as what it is, and nobody stopped by a bad neighbour."""

from __future__ import annotations

import os
import threading
from datetime import UTC, datetime
from pathlib import Path

import adafruit_tca9548a  # noqa: TID251
import pytest
from room_of_probes import MILD, Bench, full_bench, seat

from sensord.clock import Clock, ManualClock, ScaledClock, SystemClock
from sensord.errors import ProbeError
from sensord.probes.bus import BusHeldError, Trunk, own_device
from sensord.probes.scan import REST_S, Scanner
from sensord.probes.sht31 import Sht31
from sensord.probes.simulated import SimulatedBus

GOOD = pytest.approx(MILD)


def pair(clock: Clock, *, reset_line: bool = False) -> Bench:
    """Two probes on one channel, one on another multiplexer, at the same addresses."""
    return Bench(
        clock,
        seat("a", 0x44, 0x70, 0),
        seat("b", 0x45, 0x70, 0),
        seat("c", 0x44, 0x71, 7),
        reset_line=reset_line,
    )


def test_one_measurement_a_reading(clock: ManualClock) -> None:
    """Temperature and humidity of a sample come from one conversion of the chip."""
    bench = pair(clock)
    for scans in (1, 2, 3):
        readings, faults = bench.scan()
        assert readings == {"a": GOOD, "b": GOOD, "c": GOOD}
        assert faults == {}
        assert [scans] * 3 == [chip.conversions for chip in bench.chips.values()]


def test_never_periodic_never_stretching(clock: ManualClock) -> None:
    """Only single shots without clock stretching are ever sent: periodic mode pads with 130 °C, stretching fails on Pis."""
    bench = pair(clock)
    for _ in range(5):
        bench.scan()
        clock.advance(60)
    sent = {command for chip in bench.chips.values() for command in chip.commands}
    single_shot, pause, read_status, clear_status = 0x2400, 0x3093, 0xF32D, 0x3041
    assert sent == {single_shot, pause, read_status, clear_status}


def test_sample_is_dated_at_its_trigger(clock: ManualClock) -> None:
    """A sample carries the monotonic time at which its measurement began."""
    bench = pair(clock)
    before_s = clock.monotonic()
    samples = bench.scanner.scan().samples
    taken_s = [sample.taken_monotonic_s for sample in samples]
    assert taken_s == sorted(taken_s)
    assert all(before_s < at_s < clock.monotonic() - 0.012 for at_s in taken_s)


def test_128_probes_cost_little_more_than_their_wire_time(clock: ManualClock) -> None:
    """128 probes behind 8 multiplexers at 100 kHz: at most 1.25 times the wire time, the first scan too."""
    bench = full_bench(clock)
    for _ in range(3):
        wire_s, before_s = bench.bus.wire_s, clock.monotonic()
        readings, faults = bench.scan()
        took_s, wire_s = clock.monotonic() - before_s, bench.bus.wire_s - wire_s
        assert len(readings) == 128
        assert faults == {}
        assert took_s <= 1.25 * wire_s
    transfers_alone_s = 128 * (29 + 65) * 1e-5
    assert took_s <= 1.3 * transfers_alone_s


def test_few_probes_wait_only_as_long_as_needed(clock: ManualClock) -> None:
    """A single probe takes one measurement and its wire time, nothing more."""
    bench = Bench(clock, seat("only"))
    bench.scan()
    before_s = clock.monotonic()
    bench.scan()
    assert clock.monotonic() - before_s < 0.0155 + 0.003


@pytest.mark.parametrize(
    ("switch", "kind"),
    [("unplugged", "absent"), ("bad_crc", "bad_crc"), ("holds_sda", "bus_held")],
)
def test_a_bad_probe_stops_nobody(clock: ManualClock, switch: str, kind: str) -> None:
    """Each fault is reported as what it is; probes elsewhere still read; and it heals when the fault is gone."""
    bench = pair(clock, reset_line=True)
    bench.scan()
    setattr(bench.chips["b"], switch, True)
    readings, faults = bench.scan()
    assert readings["c"] == GOOD
    assert kind == faults["b"]
    assert "b" not in readings
    setattr(bench.chips["b"], switch, False)
    assert bench.scan() == ({"a": GOOD, "b": GOOD, "c": GOOD}, {})


def test_faults_are_one_clear_line_each(clock: ManualClock) -> None:
    """A fault names the probe, where it hangs, and what to do."""
    bench = pair(clock)
    bench.chips["b"].unplugged = True
    (fault,) = bench.scanner.scan().faults
    assert fault.kind == "absent"
    assert fault.text == (
        "probe loft/b does not answer at 0x45 behind multiplexer 0x70 channel 0; "
        "check its plug, its cable and its address"
    )


def test_lost_measurement_is_retried_at_once(clock: ManualClock) -> None:
    """A brown-out between trigger and collection costs a retry after a soft reset, not the reading."""
    bench = pair(clock)
    bench.scan()
    chip = bench.chips["a"]

    def dips_once(_at: object) -> tuple[float, float]:
        if not dips:
            dips.append(1)
            bus_power_dip.set()
        return MILD

    dips: list[int] = []
    bus_power_dip = threading.Event()
    chip.air = dips_once
    original = bench.chips["b"].air

    def neighbour(at: object) -> tuple[float, float]:
        if bus_power_dip.is_set():
            bus_power_dip.clear()
            chip.brown_out()
        return original(at)  # type: ignore[arg-type]

    bench.chips["b"].air = neighbour
    readings, faults = bench.scan()
    assert readings["a"] == GOOD
    assert faults == {}
    assert 0x30A2 in chip.commands, "the retry begins with a soft reset"


def test_brown_out_is_seen(clock: ManualClock) -> None:
    """A chip that restarted by itself between scans is noted within as many scans as there are probes."""
    bench = pair(clock)
    for _ in range(3):
        bench.scan()
    bench.chips["c"].brown_out()
    seen = []
    for _ in range(3):
        clock.advance(60)
        readings, faults = bench.scan()
        assert readings["c"] == GOOD
        seen.append(faults.get("c"))
    assert seen.count("reset_seen") == 1


def test_held_bus_without_reset_line(clock: ManualClock) -> None:
    """A shorted data line blocks the bus: every probe says so, the suspect is named, and the scan ends soon."""
    bench = pair(clock)
    bench.scan()
    bench.chips["a"].holds_sda = True
    before_s = clock.monotonic()
    scan = bench.scanner.scan()
    assert clock.monotonic() - before_s < 10
    assert {"loft/a", "loft/b", "loft/c"} == {fault.probe_full_name for fault in scan.faults}
    assert all(
        fault.kind == "bus_held" and "most likely by what hangs on channel 0 of multiplexer 0x70" in fault.text
        for fault in scan.faults
    )
    bench.chips["a"].holds_sda = False
    bench.bus.muxes[0x70].brown_out()
    assert len(bench.scan()[0]) == 3


def test_held_bus_is_cut_off_by_the_reset_line(clock: ManualClock) -> None:
    """With the multiplexers' RESET line wired, only the segment that holds the bus goes without readings."""
    bench = pair(clock, reset_line=True)
    bench.chips["a"].holds_sda = True
    for _ in range(5):
        before_s = clock.monotonic()
        readings, faults = bench.scan()
        assert clock.monotonic() - before_s < 3, "its neighbours on the channel are not waited for in turn"
        assert readings == {"c": GOOD}
        assert faults == {"a": "bus_held", "b": "bus_held"}


def test_silent_multiplexer_stops_nobody_and_leaves_no_lock(clock: ManualClock) -> None:
    """Its probes say that the multiplexer is silent; the others read; the lock is free; it heals by itself."""
    bench = pair(clock)
    bench.scan()
    bench.bus.muxes[0x70].silent = True
    readings, faults = bench.scan()
    assert readings == {"c": GOOD}
    assert faults == {"a": "no_answer_mux", "b": "no_answer_mux"}
    assert bench.bus.try_lock(), "the lock is free after the scan"
    bench.bus.unlock()
    bench.bus.muxes[0x70].silent = False
    assert len(bench.scan()[0]) == 3


def test_the_plain_multiplexer_driver_leaves_the_lock_held(clock: ManualClock) -> None:
    """Why the trunk exists: the library's own channel keeps the lock for ever after one missing answer."""
    bus = SimulatedBus(clock)
    bus.add_mux(0x70).silent = True
    with pytest.raises(OSError, match="Remote I/O"):
        adafruit_tca9548a.TCA9548A(bus, 0x70)[0].try_lock()
    assert not bus.try_lock()


def test_multiplexer_silent_while_closing(clock: ManualClock) -> None:
    """A multiplexer that does not answer its closing leaves no lock, and is closed before the next session."""
    bench = pair(clock)
    trunk = Trunk(bench.bus, (0x70, 0x71), clock)
    with trunk:
        trunk.switch_to((0x70, 0))
        bench.bus.muxes[0x70].silent = True
    assert bench.bus.try_lock()
    bench.bus.unlock()
    bench.bus.muxes[0x70].silent = False
    assert bench.bus.muxes[0x70].control == 1
    with trunk:
        assert bench.bus.muxes[0x70].control == 0


def test_channel_left_open_by_a_crash_is_closed_first(clock: ManualClock) -> None:
    """A channel open from before would answer in another's place; the first session closes all."""
    bench = pair(clock)
    bench.chips["a"].air = lambda _at: (11.0, 22.0)
    bench.bus.writeto(0x71, b"\x80")
    readings, faults = bench.scan()
    assert [1, 1, 1] == [chip.conversions for chip in bench.chips.values()]
    assert readings["c"] == GOOD
    assert readings["a"] == pytest.approx((11.0, 22.0), abs=0.01)
    assert faults == {}


def test_first_session_closes_all_channels(clock: ManualClock) -> None:
    """Whatever was open when a program starts is closed before anything else is said."""
    bench = pair(clock)
    bench.bus.writeto(0x70, b"\x30")
    with Trunk(bench.bus, (0x70, 0x71), clock):
        assert bench.bus.muxes[0x70].control == 0


def test_one_missed_answer_of_a_multiplexer_costs_no_reading(clock: ManualClock) -> None:
    """A multiplexer that misses once is asked again within the scan."""
    bench = pair(clock)
    bench.scan()
    bench.bus.muxes[0x70].misses = 1
    assert bench.scan() == ({"a": GOOD, "b": GOOD, "c": GOOD}, {})


def test_all_channels_are_closed_after_a_scan(clock: ManualClock) -> None:
    """Nothing is left open between scans."""
    bench = full_bench(clock)
    bench.scan()
    assert {0} == {mux.control for mux in bench.bus.muxes.values()}


def test_the_lock_is_waited_for_only_so_long(clock: ManualClock) -> None:
    """A lock that is never given back is an error after two seconds, not an endless spin."""
    bench = pair(clock)
    assert bench.bus.try_lock()
    before_s = clock.monotonic()
    with pytest.raises(BusHeldError, match="not free within 2 s"), Trunk(bench.bus, (), clock):
        pass
    assert clock.monotonic() - before_s == pytest.approx(2.0, abs=0.01)


def test_driver_outside_a_session_is_refused(clock: ManualClock) -> None:
    """A driver that is used while nobody holds the bus gets an error, never another's channel."""
    bench = pair(clock)
    trunk = Trunk(bench.bus, (0x70,), clock)
    with pytest.raises(ProbeError, match="outside its session"):
        Sht31(trunk.segment(0x70, 0), 0x44, clock)


def test_two_owners_are_refused(tmp_path: Path) -> None:
    """The second owner of a bus must not start: with a shared multiplexer it would read wrong, valid values."""
    device = tmp_path / "i2c-1"
    device.touch()
    first = own_device(device)
    with pytest.raises(ProbeError, match="another program of ours owns it"):
        own_device(device)
    os.close(first)
    os.close(own_device(device))


def test_a_bad_probe_rests_after_three_scans_and_is_asked_each_minute(clock: ManualClock) -> None:
    """Scanning each second, an unplugged probe costs nothing while it rests, still shows as absent, and comes back."""
    bench = pair(clock)
    bench.chips["b"].unplugged = True
    asking = []
    for _ in range(3):
        transfers = bench.bus.transfers
        bench.scan()
        asking.append(bench.bus.transfers - transfers)
    quiet = []
    for _ in range(3):
        clock.advance(1)
        transfers = bench.bus.transfers
        assert bench.scan()[1] == {"b": "absent"}
        quiet.append(bench.bus.transfers - transfers)
    bench.chips["b"].unplugged = False
    assert "b" not in bench.scan()[0], "it rests still"
    clock.advance(REST_S)
    readings, faults = bench.scan()
    assert readings["b"] == GOOD
    assert faults == {}
    assert max(quiet) < min(asking)


def test_replugged_probe_reads_at_the_next_scan(clock: ManualClock) -> None:
    """Unplugging and plugging in again needs no restart."""
    bench = pair(clock)
    bench.scan()
    bench.chips["a"].unplugged = True
    assert bench.scan()[1] == {"a": "absent"}
    bench.chips["a"].unplugged = False
    bench.chips["a"].brown_out()
    clock.advance(60)
    assert bench.scan() == ({"a": GOOD, "b": GOOD, "c": GOOD}, {})


def test_whole_bus_in_real_time() -> None:
    """On the machine's own clock three probes read as well; the plain loop's measurements are not slept through."""
    bench = pair(SystemClock())
    readings, faults = bench.scan()
    assert readings == {"a": GOOD, "b": GOOD, "c": GOOD}
    assert faults == {}


@pytest.mark.parametrize("speed", [60.0, 3600.0])
def test_whole_bus_in_scaled_time(speed: float) -> None:
    """In the demo's faster time every probe reads, with no measurement asked for too early."""
    bench = full_bench(ScaledClock(datetime(2026, 4, 1, tzinfo=UTC), SystemClock().monotonic(), speed))
    for _ in range(2):
        readings, faults = bench.scan()
        assert len(readings) == 128
        assert faults == {}
    assert {2} == {chip.conversions for chip in bench.chips.values()}


def test_probes_of_other_hubs_are_left_out(clock: ManualClock) -> None:
    """A scanner reads its own hub's probes only."""
    scanner = Scanner(SimulatedBus(clock), [seat("a")], clock, hub="cellar")
    assert scanner.probes == []
    assert scanner.scan().samples == []
