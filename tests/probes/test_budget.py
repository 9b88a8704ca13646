"""Addresses and electrical budget against NXP UM10204, I2C-bus specification and user manual."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from room_of_probes import full_bench, seat

from sensord.clock import ManualClock
from sensord.probes.budget import Section, lay_out, pull_up_max_ohm, pull_up_min_ohm, scan_s, sections


@pytest.mark.parametrize(
    ("capacitance_pf", "rise_max_s", "expected_ohm"),
    [(400, 1000e-9, 2950.5), (400, 300e-9, 885.2), (200, 300e-9, 1770.3)],
)
def test_largest_pull_up(capacitance_pf: float, rise_max_s: float, expected_ohm: float) -> None:
    """UM10204 section 7.1: R_p(max) = t_r / (0.8473 C_b); 1000 ns for Standard-mode, 300 ns for Fast-mode."""
    assert pull_up_max_ohm(capacitance_pf * 1e-12, rise_max_s) == pytest.approx(expected_ohm, abs=0.1)


@pytest.mark.parametrize(("supply_v", "expected_ohm"), [(3.3, 966.7), (5.0, 1533.3)])
def test_least_pull_up(supply_v: float, expected_ohm: float) -> None:
    """UM10204 section 7.1: R_p(min) = (V_DD - 0.4 V) / 3 mA."""
    assert pull_up_min_ohm(supply_v) == pytest.approx(expected_ohm, abs=0.1)


def test_eight_boards_with_their_pull_ups_are_too_many() -> None:
    """A Pi's 1.8 kOhm beside eight of 10 kOhm is 738 Ohm, below the least allowed; the plan says what to do."""
    section = Section("trunk", boards=8, chips=8, on_pi=True, cable_m=0.5)
    assert section.pull_up_ohm == pytest.approx(1 / (1 / 1800 + 8 / 10_000))
    assert section.problems() == [
        "trunk: pull-ups come to 738 ohm; allowed is 967 or more: cut the pull-up jumpers on some boards"
    ]


def test_long_cable_is_beyond_400_pf() -> None:
    """UM10204: at most 400 pF on a line."""
    (problem,) = Section("trunk", boards=1, chips=2, on_pi=True, cable_m=7).problems()
    assert problem.startswith("trunk: 450 pF; allowed is 400 pF")


@given(st.integers(1, 128))
def test_layout_has_a_seat_of_its_own_for_each(count: int) -> None:
    """However many probes: distinct seats, allowed addresses, and none on the trunk beside multiplexers."""
    seats = [(probe.mux, probe.channel, probe.address) for probe in lay_out(count, "loft")]
    assert len(set(seats)) == count
    assert all(address in {0x44, 0x45} for _, _, address in seats)
    behind = [mux for mux, _, _ in seats if mux is not None]
    assert len(behind) in {0, count}
    assert all(0x70 <= mux <= 0x77 for mux in behind)


def test_planned_scan_time_is_the_buses_own(clock: ManualClock) -> None:
    """The scan time of the plan is what the simulated bus measures, within 2 %."""
    bench = full_bench(clock)
    bench.scan()
    wire_s = bench.bus.wire_s
    bench.scan()
    assert scan_s(lay_out(128, "loft")) == pytest.approx(bench.bus.wire_s - wire_s, rel=0.02)


def test_sections_join_channel_and_trunk() -> None:
    """While a channel is open, its cable, chips and pull-ups add to the trunk's."""
    trunk, channel = sections([seat("a", 0x44, 0x70, 1), seat("b", 0x45, 0x70, 1)], cable_m=1.0)
    assert (trunk.boards, trunk.cable_m) == (1, 1.0)
    assert (channel.boards, channel.cable_m) == (3, 2.0)
