"""The time of readings: no step of a wall clock makes one lie."""

from hypothesis import given
from hypothesis import strategies as st

from sensord.link.clockfix import EARLIEST_MS, STEADY_MS, TOLERANCE_MS, ClockFix, is_sure

TRUE_MS = 1_790_000_000_000


def test_a_boot_in_the_past_dates_nothing_until_the_clock_is_sure() -> None:
    fix = ClockFix().observe(1_000, 5_000, sure=False).observe(TRUE_MS, 65_000, sure=False)
    assert fix.date_ms(5_000) is None
    fix = fix.observe(TRUE_MS, 65_000, sure=True)
    assert fix.date_ms(5_000) == TRUE_MS - 60_000


def test_a_clock_that_was_never_set_is_not_believed_whatever_is_said() -> None:
    assert ClockFix().observe(EARLIEST_MS - 1, 0, sure=True).offset_ms is None


def test_a_step_dates_by_the_old_offset_until_it_has_held_for_a_minute() -> None:
    fix = ClockFix().observe(TRUE_MS, 0, sure=True)
    hour = 3_600_000
    fix = fix.observe(TRUE_MS + hour + 1_000, 1_000, sure=True)
    assert fix.date_ms(1_000) == TRUE_MS + 1_000
    fix = fix.observe(TRUE_MS + hour + 59_000, 59_000, sure=True)
    assert fix.date_ms(59_000) == TRUE_MS + 59_000
    fix = fix.observe(TRUE_MS + hour + 61_000, 61_000, sure=True)
    assert fix.date_ms(61_000) == TRUE_MS + hour + 61_000


def test_a_step_and_back_changes_nothing() -> None:
    fix = ClockFix().observe(TRUE_MS, 0, sure=True)
    fix = fix.observe(TRUE_MS + 3_600_000, 1_000, sure=True).observe(TRUE_MS + 90_000, 90_000, sure=True)
    assert fix == ClockFix(TRUE_MS)


def test_a_step_while_no_server_keeps_the_clock_is_not_adopted() -> None:
    fix = ClockFix().observe(TRUE_MS, 0, sure=True)
    for mono_ms in range(1_000, 10 * STEADY_MS, 10_000):
        fix = fix.observe(TRUE_MS - 86_400_000 + mono_ms, mono_ms, sure=False)
    assert fix == ClockFix(TRUE_MS)


looks = st.lists(
    st.tuples(st.integers(1, 30_000), st.integers(-(10**10), 10**10), st.booleans()), min_size=1, max_size=40
)


@given(looks)
def test_every_date_is_by_an_offset_that_a_sure_clock_once_showed(given_looks: list[tuple[int, int, bool]]) -> None:
    """Whatever the wall clock does; and an offset changes only a minute or more after it was first shown."""
    fix, mono_ms = ClockFix(), 0
    shown: dict[int, int] = {}
    for passed_ms, error_ms, sure in given_looks:
        mono_ms += passed_ms
        wall_ms = TRUE_MS + mono_ms + error_ms
        if sure and wall_ms >= EARLIEST_MS:
            shown.setdefault(wall_ms - mono_ms, mono_ms)
        before, fix = fix, fix.observe(wall_ms, mono_ms, sure=sure)
        assert fix.offset_ms is None or fix.offset_ms in shown
        if before.offset_ms is not None and fix.offset_ms != before.offset_ms:
            assert fix.offset_ms is not None
            assert abs(fix.offset_ms - before.offset_ms) > TOLERANCE_MS
            assert mono_ms - shown[fix.offset_ms] >= STEADY_MS
        date_ms = fix.date_ms(mono_ms)
        assert date_ms is None or (fix.offset_ms is not None and date_ms - mono_ms == fix.offset_ms)


def test_when_the_clock_is_believed() -> None:
    for raspberry_pi in (False, True):
        assert is_sure("trusted", synchronised=False, raspberry_pi=raspberry_pi)
        assert not is_sure("synchronised", synchronised=False, raspberry_pi=raspberry_pi)
        assert is_sure("synchronised", synchronised=True, raspberry_pi=raspberry_pi)
        assert is_sure("auto", synchronised=False, raspberry_pi=raspberry_pi) is not raspberry_pi
        assert is_sure("auto", synchronised=True, raspberry_pi=raspberry_pi)
