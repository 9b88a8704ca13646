"""The simulated chips against their datasheets, and the real drivers running on them.

SHT: Sensirion, Datasheet SHT3x-DIS, version 5 (May 2018). TCA: Texas Instruments, TCA9548A, SCPS207F.
"""

from __future__ import annotations

import errno

import adafruit_sht31d  # noqa: TID251 - the real driver is what these tests are about
import adafruit_tca9548a  # noqa: TID251
import pytest
from hypothesis import given
from hypothesis import strategies as st
from room_of_probes import mild

from sensord.clock import ManualClock, SystemClock
from sensord.errors import ProbeError
from sensord.probes.sht31 import Sht31, Words
from sensord.probes.simulated import SimulatedBus
from sensord.probes.simulated_chips import COMMANDS_NOTED, SimulatedSHT31, crc8, raw_words


def command(bus: SimulatedBus, code: int, address: int = 0x44) -> None:
    bus.writeto(address, code.to_bytes(2, "big"))


def read(bus: SimulatedBus, count: int, address: int = 0x44) -> bytes:
    data = bytearray(count)
    bus.readfrom_into(address, data)
    return bytes(data)


@pytest.fixture
def bus(clock: ManualClock) -> SimulatedBus:
    """One SHT31 on a bus of its own."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, mild)
    return bus


def test_crc_of_beef_is_92() -> None:
    """SHT Table 20: the worked example of the checksum."""
    datasheet_crc = 0x92
    assert datasheet_crc == crc8(b"\xbe\xef")
    assert datasheet_crc == adafruit_sht31d._crc(b"\xbe\xef")


@given(st.binary(min_size=2, max_size=2))
def test_crc_agrees_with_the_driver(data: bytes) -> None:
    """The chip's checksum, written from the datasheet, is the driver's for every word."""
    assert crc8(data) == adafruit_sht31d._crc(data)


@pytest.mark.parametrize(
    ("word", "temp_c", "rh_pct"),
    [
        (0x0000, -45.0, 0.0),
        (0x6666, 25.0, 40.0),
        (0x8000, 42.5013, 50.0008),
        (0xBEEF, 85.5230, 74.5846),
        (0xFFFF, 130.0, 100.0),
    ],
)
def test_conversion_points(word: int, temp_c: float, rh_pct: float) -> None:
    """SHT section 4.13: T = -45 + 175 S/(2^16-1), RH = 100 S/(2^16-1), evaluated by hand."""
    words = Words(word, word)
    assert (temp_c, rh_pct) == pytest.approx((words.temp_c, words.rh_pct), abs=5e-5)


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_words_survive_the_way_there_and_back(temperature: int, humidity: int) -> None:
    """What the chip quantises is what the driver's formula gives back: no word is lost to rounding."""
    words = Words(temperature, humidity)
    assert (temperature, humidity) == raw_words(words.temp_c, words.rh_pct)


def test_split_reading_equals_the_drivers_own(clock: ManualClock) -> None:
    """One triggered and collected measurement is, bit for bit, what the driver's unsplit read gives."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, lambda _at: (23.456, 67.89))
    split = Sht31(bus, 0x44, clock)
    split.trigger()
    clock.advance(0.0155)
    words = split.collect()
    command(bus, 0x2C06)
    unsplit = adafruit_sht31d._unpack(read(bus, 6))
    assert tuple(unsplit) == tuple(words)


def test_status_after_power_up(bus: SimulatedBus) -> None:
    """SHT Table 18: alert pending and reset detected are set by default, so the register reads 0x8010."""
    command(bus, 0xF32D)
    power_up_status = b"\x80\x10"
    answer = read(bus, 3)
    assert power_up_status == answer[:2]
    assert crc8(power_up_status) == answer[2]


def test_clear_status(bus: SimulatedBus) -> None:
    """SHT Table 19: clear status (0x3041) resets bits 15, 11, 10 and 4."""
    command(bus, 0x3041)
    command(bus, 0xF32D)
    assert read(bus, 2) == b"\x00\x00"


def test_heater_bit_and_effect(bus: SimulatedBus, clock: ManualClock) -> None:
    """SHT Tables 16 and 18: the heater command sets bit 13; a heated chip reads warmer and drier."""
    command(bus, 0x306D)
    command(bus, 0xF32D)
    assert read(bus, 2)[0] & 0x20
    command(bus, 0x2400)
    clock.advance(0.0155)
    words = adafruit_sht31d._unpack(read(bus, 6))
    assert Words(*words).temp_c > 26
    assert Words(*words).rh_pct < 40
    command(bus, 0x3066)
    command(bus, 0xF32D)
    assert not read(bus, 2)[0] & 0x20


def test_a_chip_notes_its_last_commands_only(clock: ManualClock) -> None:
    """A simulated room that runs for months must not grow."""
    chip = SimulatedSHT31(lambda _at: (20.0, 50.0), clock)
    for _ in range(1_000):
        chip.write(b"\xf3\x2d")
    assert len(chip.commands) == COMMANDS_NOTED


def test_unknown_command_is_noted(bus: SimulatedBus) -> None:
    """SHT Table 18: bit 1 tells that the last command was not processed."""
    command(bus, 0x1234)
    command(bus, 0xF32D)
    assert read(bus, 2) == b"\x80\x12"
    command(bus, 0xF32D)
    assert read(bus, 2) == b"\x80\x10", "reading the status was itself processed"


@pytest.mark.parametrize(("code", "typical_s"), [(0x2400, 0.0125), (0x240B, 0.0045), (0x2416, 0.0025)])
def test_no_answer_while_measuring(bus: SimulatedBus, clock: ManualClock, code: int, typical_s: float) -> None:
    """SHT Table 9 and section 4: without clock stretching, headers are not acknowledged until the time is over."""
    command(bus, code)
    clock.advance(typical_s - 0.001)
    with pytest.raises(OSError, match="Remote I/O") as caught:
        read(bus, 6)
    assert caught.value.errno == errno.EREMOTEIO
    clock.advance(0.001)
    assert len(read(bus, 6)) == 6


def test_clock_stretching_holds_the_read(bus: SimulatedBus, clock: ManualClock) -> None:
    """SHT Table 9: 0x2C06 stretches the clock, so a read at once is answered when the measurement is over."""
    before_s = clock.monotonic()
    command(bus, 0x2C06)
    words = adafruit_sht31d._unpack(read(bus, 6))
    assert words == [0x6666, 0x6666]
    assert clock.monotonic() - before_s >= 0.0125


def test_periodic_fetch(bus: SimulatedBus, clock: ManualClock) -> None:
    """SHT sections 4.5 to 4.8: fetch answers when a measurement is there, not again before the next; break ends it."""
    command(bus, 0x2130)
    with pytest.raises(OSError, match="Remote I/O"):
        read(bus, 6)
    clock.advance(1.0)
    command(bus, 0xE000)
    assert adafruit_sht31d._unpack(read(bus, 6)) == [0x6666, 0x6666]
    with pytest.raises(OSError, match="Remote I/O"):
        read(bus, 6)
    command(bus, 0x3093)
    clock.advance(5.0)
    with pytest.raises(OSError, match="Remote I/O"):
        read(bus, 6)


def test_wire_time(bus: SimulatedBus, clock: ManualClock) -> None:
    """UM10204: nine clocks a byte, and one each for START and STOP: a trigger is 29 bits, an answer 65."""
    before_s = clock.monotonic()
    command(bus, 0x2400)
    assert clock.monotonic() - before_s == pytest.approx(29e-5)
    clock.advance(0.0155)
    before_s = clock.monotonic()
    read(bus, 6)
    assert clock.monotonic() - before_s == pytest.approx(65e-5)
    assert bus.wire_s == pytest.approx(94e-5)


def test_mux_channel_opens_after_the_stop(clock: ManualClock) -> None:
    """TCA section 8.5.4: the selected channel becomes active after the STOP, not during the transfer."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, mild, mux=0x70, channel=3)
    bus.writeto(0x70, b"\x08", stop=False)
    with pytest.raises(OSError, match="Remote I/O"):
        bus.writeto(0x44, b"", stop=False)
    bus.writeto(0x70, b"\x08")
    bus.writeto(0x44, b"")


def test_mux_register(clock: ManualClock) -> None:
    """TCA 8.5.4 and Table 2: 0x00 at power-up; it reads back; of several bytes the last is kept; several may be open."""
    bus = SimulatedBus(clock)
    bus.add_mux(0x77)
    assert read(bus, 1, 0x77) == b"\x00"
    bus.writeto(0x77, b"\x01\x02\x81")
    assert read(bus, 1, 0x77) == b"\x81"
    bus.muxes[0x77].brown_out()
    assert read(bus, 1, 0x77) == b"\x00"


@pytest.mark.parametrize("address", [0x6F, 0x78])
def test_mux_addresses(clock: ManualClock, address: int) -> None:
    """TCA Table 1: 0x70 to 0x77 and no other."""
    with pytest.raises(ProbeError, match="0x70 to 0x77"):
        SimulatedBus(clock).add_mux(address)


def test_two_at_one_address_are_a_wired_and(clock: ManualClock) -> None:
    """Open-drain lines: where two chips answer, each 0 bit wins, and the checksum gives it away."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, lambda _at: (20.0, 50.0))
    bus.add_sht31(0x44, lambda _at: (31.0, 77.0), mux=0x70, channel=0)
    bus.writeto(0x70, b"\x01")
    command(bus, 0x2400)
    clock.advance(0.0155)
    joined = read(bus, 6)
    frames = [
        b"".join(word.to_bytes(2, "big") + bytes([crc8(word.to_bytes(2, "big"))]) for word in raw_words(*air))
        for air in [(20.0, 50.0), (31.0, 77.0)]
    ]
    assert joined == bytes(a & b for a, b in zip(*frames, strict=True))
    with pytest.raises(RuntimeError, match="CRC mismatch"):
        adafruit_sht31d._unpack(joined)


def test_both_real_drivers_run_on_the_simulated_bus() -> None:
    """The unchanged Adafruit SHT31D behind the unchanged Adafruit TCA9548A reads the air, in real time."""
    bus = SimulatedBus(SystemClock())
    chip = bus.add_sht31(0x45, mild, mux=0x71, channel=5)
    driver = adafruit_sht31d.SHT31D(adafruit_tca9548a.TCA9548A(bus, 0x71)[5], 0x45)
    assert pytest.approx((driver.temperature, driver.relative_humidity)) == (25.0, 40.0)
    assert chip.conversions == 2, "the driver's two properties measure twice"
    assert driver.serial_number == chip.serial
    assert driver.status & 0x10


def test_scan_lists_what_answers(clock: ManualClock) -> None:
    """A bus scan names the multiplexers and the chips that are joined to the trunk."""
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, mild)
    bus.add_sht31(0x45, mild, mux=0x70, channel=0)
    assert bus.scan() == [0x44, 0x70]


def test_air_is_asked_at_the_trigger(clock: ManualClock) -> None:
    """A measurement is of the moment it was started, whatever the air does afterwards."""
    asked = []
    bus = SimulatedBus(clock)
    bus.add_sht31(0x44, lambda at: asked.append(at) or (20.0, 50.0))
    command(bus, 0x2400)
    at = clock.now()
    clock.advance(100)
    read(bus, 6)
    assert asked == [at]
