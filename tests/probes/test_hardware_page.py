"""The page in hardware/ says what the program says."""

from __future__ import annotations

from pathlib import Path

import pytest

from sensord.probes.budget import (
    BREAKOUT_PULL_UP_OHM,
    PI_PULL_UP_OHM,
    parallel_ohm,
    pull_up_max_ohm,
    pull_up_min_ohm,
)
from sensord.probes.faults import FaultKind

PAGE = (Path(__file__).parents[2] / "hardware" / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("kind", FaultKind)
def test_every_fault_has_its_line(kind: FaultKind) -> None:
    """What the command calls a fault is found on the page under the same word."""
    assert f"| `{kind.value}` |" in PAGE


def test_pull_up_figures() -> None:
    """The limits on the page are those of the formulas."""
    assert "**967 Ω or more**" in PAGE
    assert round(pull_up_min_ohm(3.3)) == 967
    assert "7.4 kΩ at 160 pF, **2.95 kΩ at 400 pF**" in PAGE
    assert round(pull_up_max_ohm(160e-12), -2) == 7400
    assert round(pull_up_max_ohm(400e-12), -1) == 2950


def test_four_boards_are_sound_and_five_are_not() -> None:
    """The count of boards that may keep their pull-ups beside a Pi."""
    assert "four boards\nwith 10 kΩ are sound on one line and five are not" in PAGE
    boards = [parallel_ohm([PI_PULL_UP_OHM] + [BREAKOUT_PULL_UP_OHM] * count) for count in (4, 5)]
    assert boards[0] > pull_up_min_ohm(3.3) > boards[1]


@pytest.mark.parametrize(
    "caution", ["residual-current device", "drip loop", "not a safety device", "electrician", "permit"]
)
def test_cautions_are_there(caution: str) -> None:
    """Where work can hurt, the usual cautions stand and local codes come first."""
    assert caution in PAGE.split("## Cautions")[1]
