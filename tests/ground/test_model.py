"""Names are checked once, by the rule of the contract."""

from __future__ import annotations

import pytest

from sensord.errors import InputError
from sensord.model import HUB_OR_PROBE, Place, Placement, check_nest, check_probe


@pytest.mark.parametrize("name", ["a", "loft-1", "0", "x" * 32])
def test_good_hubs(name: str) -> None:
    assert HUB_OR_PROBE.fullmatch(name)


@pytest.mark.parametrize("name", ["", "A", "-a", "a_b", "x" * 33, "a/b", "a\n", "ä"])
def test_bad_hubs(name: str) -> None:
    assert not HUB_OR_PROBE.fullmatch(name)


@pytest.mark.parametrize("name", ["a1", "loft/a1"])
def test_good_probes(name: str) -> None:
    assert check_probe(name) == name


@pytest.mark.parametrize("name", ["", "/a", "a/", "a/b/c", "loft/A1", "loft/+", "a" * 100_000])
def test_bad_probes_are_named_shortly(name: str) -> None:
    with pytest.raises(InputError, match="a name is HUB/PROBE") as caught:
        check_probe(name)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("name", ["T-07", "Old oak 3", "a.b_c"])
def test_good_nests(name: str) -> None:
    assert check_nest(name) == name


@pytest.mark.parametrize("name", ["", " a", "<b>", "a" * 33, "a/b", "é", "a\u0000"])
def test_bad_nests(name: str) -> None:
    with pytest.raises(InputError, match="nest"):
        check_nest(name)


def test_a_placement_holds_from_its_start_to_just_before_its_end() -> None:
    placement = Placement("loft/a1", "T-07", "loft", Place.WET_END, since_ms=10, until_ms=20)
    assert [placement.holds(at) for at in (9, 10, 19, 20)] == [False, True, True, False]
