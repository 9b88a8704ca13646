"""One reservoir's story: what is learned, and what one wrong or missing entry must not spoil."""

from __future__ import annotations

import numpy as np
import pytest

from sensord.clock import DAY_MS
from sensord.insight.balance import PowerSeries
from sensord.insight.ledger import Event, Happening, Ledger
from sensord.insight.ledger_bytes import from_bytes, to_bytes
from sensord.insight.lookahead import days_quantiles, power_paths, water_quantiles
from sensord.model import Nest, NestKind, Plug

NEST = Nest("A 1", NestKind.TUBE, "room", bore_mm=14, chamber_mm=75, reservoir_ml=11.5, plug=Plug.COTTON)
RATE_ML_DAY = 0.1
POWER = PowerSeries.bridged(0, np.full(24 * 400, 1e6))
FULL = 11.0


def at(days: float) -> int:
    return int(days * DAY_MS)


def event(days: float, kind: str, amount: float | None = None) -> Event:
    return Event(at(days), Happening(kind), amount)


def true_levels(first: float, last: float, since_fill: float, wrong_by: float = 0.0) -> list[Event]:
    """What a keeper reads every fortnight of a tube that loses RATE_ML_DAY, a little off in turn."""
    days = np.arange(first, last, 14.0)
    off = 0.3 * np.array([1, -1])[np.arange(len(days)) % 2]
    return [
        event(d, "level", round(FULL - RATE_ML_DAY * (d - since_fill) + o + wrong_by, 1))
        for d, o in zip(days, off, strict=True)
    ]


def told(events: list[Event], until: float) -> Ledger:
    ledger = Ledger.begin(NEST, events[0].at_ms - 1)
    ledger.advance(events, POWER, at(until))
    return ledger


def days_left(ledger: Ledger):
    return days_quantiles(ledger.belief, power_paths(np.full(21, 1e6)))


def test_levels_teach_the_rate_whatever_geometry_said():
    """After six levels the date is right within days, though geometry alone was far off."""
    ledger = told([event(0, "fill", FULL), *true_levels(14, 96, 0)], 96)
    assert days_left(ledger).p50 == pytest.approx(14, abs=4)
    assert days_left(ledger).p10 < 14 < days_left(ledger).p90


def test_what_is_not_known_yet_is_not_claimed():
    """With a fill alone, the interval is as wide as geometry is vague; levels narrow it several times."""
    alone = days_left(told([event(0, "fill", FULL)], 60))
    taught = days_left(told([event(0, "fill", FULL), *true_levels(5, 60, 0)], 60))
    assert alone.p90 - alone.p10 > 1.5 * (taught.p90 - taught.p10)


def test_one_level_written_into_the_wrong_line_spoils_nothing():
    """A level far too low among good ones moves the date by days, not by weeks."""
    good = [event(0, "fill", FULL), *true_levels(14, 96, 0)]
    wrong = sorted([*good, event(50, "level", 2.0)], key=lambda one: one.at_ms)
    assert days_left(told(wrong, 96)).p50 == pytest.approx(days_left(told(good, 96)).p50, abs=3)


def test_one_wrong_volume_spoils_nothing_learned():
    """A second fill noted 30 % too full is mended by two levels, and the learned rate holds."""
    first = [event(0, "fill", FULL), *true_levels(14, 108, 0), event(109, "level", 0)]
    second = [event(110, "fill", FULL * 1.3), *true_levels(124, 206, 110)]
    left = days_left(told([*first, *second], 206))
    assert left.p50 == pytest.approx(14, abs=4)


def test_a_fill_nobody_logged_is_noticed_by_a_level_and_asked_about():
    """Fuller than it can be: the fill is inferred, the keeper is asked, and the rate stays as learned."""
    first = [event(0, "fill", FULL), *true_levels(14, 108, 0)]
    ledger = told([*first, *true_levels(124, 206, 112)], 206)
    assert len(ledger.questions) == 1
    assert "was it filled" in ledger.questions[0].text
    assert at(97) < ledger.questions[0].since_ms < at(112) < ledger.questions[0].until_ms == at(124)
    assert ledger.filled_at_ms == at(0)
    assert days_left(ledger).p50 == pytest.approx(16, abs=5)


def test_a_usual_journal_raises_no_question():
    """Levels that are off by what a keeper's eye is off are nothing to ask about."""
    ledger = told([event(0, "fill", FULL), *true_levels(14, 108, 0), event(110, "fill", FULL)], 120)
    assert ledger.questions == []


def test_an_amount_that_does_not_fit_is_asked_about_and_not_believed():
    """115 mL in a tube of 11.5: a slip of the pen, taken as a fill of unknown amount."""
    ledger = told([event(0, "fill", 115.0)], 1)
    assert "do not fit" in ledger.questions[0].text
    assert water_quantiles(ledger.belief).p90 < 14


def test_missing_amounts_and_top_ups_are_enough_to_go_on():
    """A fill without an amount counts as about full; a top-up adds to what is left."""
    ledger = told([event(0, "fill"), event(50, "level", 6.0), event(60, "top_up", 4.0)], 61)
    assert water_quantiles(ledger.belief).p50 == pytest.approx(8.9, abs=0.8)


def test_found_empty_teaches_the_rate():
    """Full, then found empty a hundred days on, and not so at ninety: the next cycle needs no level."""
    once = [event(0, "fill", FULL), event(96, "level", 1.2), event(113, "level", 0), event(113.5, "fill", FULL)]
    left = days_left(told(once, 209.5))
    assert left.p10 < 14 < left.p90
    assert left.p50 == pytest.approx(14, abs=7)


def test_weighings_of_one_cycle_teach_the_rate():
    """What is missing between two weighings is water, whatever the nest itself weighs."""
    weighed = told([event(0, "fill"), event(5, "weigh", 61.3), event(45, "weigh", 57.3), event(65, "weigh", 55.3)], 65)
    ln_rate = weighed.belief.rows @ weighed.belief.ln_conductance
    assert np.exp(ln_rate) * 1e6 == pytest.approx(RATE_ML_DAY, rel=0.08)


def test_drying_cotton_means_an_empty_reservoir():
    """Seen by the probe in the tube, against whatever the sum says."""
    ledger = told([event(0, "fill", FULL), *true_levels(14, 90, 0), event(92, "cotton_dry")], 92)
    assert days_left(ledger).p50 < 2


def test_cotton_wet_again_is_a_fill_and_a_question():
    """Nobody wrote it down, the probe saw it."""
    ledger = told(
        [event(0, "fill", FULL), event(105, "level", 0.4), event(112, "cotton_dry"), event(116, "cotton_rewet")], 117
    )
    assert "wet again" in ledger.questions[0].text
    assert water_quantiles(ledger.belief).p50 > 8


def test_stopping_and_going_on_from_bytes_is_as_going_through():
    """A checkpoint loses nothing that matters."""
    events = [event(0, "fill", FULL), *true_levels(14, 108, 0), event(110, "fill", FULL)]
    through = told(events, 200)
    half = told([one for one in events if one.at_ms <= at(60)], 60)
    resumed = from_bytes(to_bytes(half))
    resumed.advance([one for one in events if one.at_ms > at(60)], POWER, at(200))
    assert days_left(resumed).p50 == pytest.approx(days_left(through).p50, abs=0.5)
    assert resumed.cycles_learned == through.cycles_learned == 1


def test_cotton_wet_for_days_after_the_water_is_gone_does_not_make_the_tube_seem_slow():
    """The reservoir is empty on day 110 and its cotton holds half a mL, five days' worth: wet on day 114 is no surprise."""
    seen = [event(0, "fill", FULL), *true_levels(14, 96, 0), event(112, "level", 0)]
    wet = sorted([*seen, *(event(day, "cotton_wet") for day in range(2, 115, 7))], key=lambda one: one.order)
    rates = [ledger.belief.rows @ ledger.belief.ln_conductance for ledger in (told(seen, 115), told(wet, 115))]
    assert rates[1] == pytest.approx(rates[0], abs=0.03)
