"""Wetness: the quotient and its uncertainty, the learned baseline, drying, fills nobody logged, and what disturbs."""

from __future__ import annotations

import json
import math
import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tube_room import HOUR_MS, START_MS, Tube

from sensord.air.moist_air import saturation_pa, vapour_pa
from sensord.insight.wetness import (
    HourSample,
    Quotient,
    WetnessTracker,
    expected_baseline,
    quotients,
    wetness,
    wetness_sd,
)
from sensord.model import Place, Plug

NEVER = math.inf


def follow(tube, tracker=None, upto=None):
    """A tracker that saw the tube's hours."""
    tracker = tracker or WetnessTracker(filled=True)
    for sample in tube.samples[:upto]:
        tracker.update(HourSample(*sample))
    return tracker


def hours(values, start_h=0):
    """Samples at 24 C in a room of 1200 Pa with these relative humidities."""
    return [HourSample(START_MS + (start_h + n) * HOUR_MS, 24.0, value, 1200.0) for n, value in enumerate(values)]


def noisy(level, count, seed=1):
    rng = random.Random(seed)
    return [level + rng.gauss(0, 0.3) for _ in range(count)]


# -- the quotient


@given(st.floats(10, 35), st.floats(0.05, 0.95), st.floats(0.1, 0.8), st.floats(-5, 8))
def test_the_quotient_does_not_depend_on_weather_or_heating(temp_c, w, room, warmer):
    """On a straight profile between a wet face and the room, w is the share of the way, whatever the room does."""
    room_pa = room * saturation_pa(temp_c)
    for t in (temp_c, temp_c + abs(warmer)):
        at_probe_pa = room_pa + w * (saturation_pa(t) - room_pa)
        assert wetness(t, 100 * at_probe_pa / saturation_pa(t), room_pa) == pytest.approx(w)


def test_its_uncertainty_is_what_a_monte_carlo_of_both_probes_gives():
    """+-2 %RH and +-0.2 C on either probe (SHT31 data sheet), both at 24 C; JCGM 101:2008."""
    rng = np.random.default_rng(3)
    n = 200_000
    temp = 24.0 + rng.normal(0, 0.2, n)
    probe_pa = vapour_pa(temp, 80.0 + rng.normal(0, 2.0, n))
    room_pa = vapour_pa(24.0 + rng.normal(0, 0.2, n), 45.0 + rng.normal(0, 2.0, n))
    drawn = (probe_pa - room_pa) / (saturation_pa(temp) - room_pa)
    assert wetness_sd(24.0, 80.0, vapour_pa(24.0, 45.0)) == pytest.approx(drawn.std(), rel=0.05)


def test_in_a_saturated_room_it_means_nothing_and_says_so():
    room_pa = 0.97 * saturation_pa(24.0)
    assert wetness_sd(24.0, 98.0, room_pa) > 0.5
    assert wetness_sd(24.0, 98.0, 1.01 * saturation_pa(24.0)) == math.inf
    assert math.isnan(wetness(24.0, 98.0, 1.01 * saturation_pa(24.0)))
    tracker = WetnessTracker(filled=True)
    for n in range(72):
        tracker.update(HourSample(START_MS + n * HOUR_MS, 24.0, 98.0, room_pa))
    status = tracker.status(START_MS + 72 * HOUR_MS)
    assert (status.wetness, status.wetness_sd, status.cotton) == (None, None, "unknown")


def test_what_is_expected_of_a_place_follows_its_distance():
    near, far = (expected_baseline(Place.WET_END, d, 75.0, Plug.COTTON)[0] for d in (10.0, 60.0))
    assert near == pytest.approx(0.9)
    assert far == pytest.approx(0.4)
    assert expected_baseline(Place.WET_END, None, None, None)[1] >= 0.2


# -- the baseline


def test_the_wet_baseline_is_learned_through_weather_and_heating():
    """Independent room (Buck 1981 vapour): w0 within its own three standard deviations and the probes' bias."""
    for seed, w0 in ((1, 0.8), (2, 0.5), (3, 0.3)):
        tube = Tube(seed, 30 * 24, NEVER, w0=w0, heated=seed == 2)
        status = follow(tube).status(tube.samples[-1][0])
        assert status.cotton == "wet"
        assert status.w0 == pytest.approx(w0, abs=3 * status.w0_sd + 0.05)
        assert status.activity == pytest.approx(1.0, abs=0.06)


def test_nothing_known_means_unknown():
    tracker = WetnessTracker()
    assert tracker.status(START_MS).cotton == "unknown"
    for sample in hours(noisy(80.0, 10)):
        tracker.update(sample)
    assert tracker.status(START_MS + 10 * HOUR_MS).cotton == "unknown"
    assert tracker.status(START_MS + 10 * HOUR_MS).activity is None


def test_a_silent_probe_becomes_unknown_after_two_days():
    tracker = follow(Tube(5, 240, NEVER))
    last_ms = START_MS + 239 * HOUR_MS
    assert tracker.status(last_ms + 40 * HOUR_MS).cotton == "wet"
    assert tracker.status(last_ms + 60 * HOUR_MS).cotton == "unknown"


# -- drying


def test_drying_shows_first_as_drying_then_as_dry_and_a_logged_fill_ends_it():
    tube = Tube(8, 60 * 24, 20 * 24, cotton_h=150, w0=0.6)
    tracker, seen = WetnessTracker(filled=True), []
    for sample in tube.samples:
        tracker.update(HourSample(*sample))
        cotton = tracker.status(sample[0]).cotton
        if not seen or seen[-1] != cotton:
            seen.append(cotton)
    assert seen == ["wet", "drying", "dry"]
    tracker.filled(tube.samples[-1][0] + HOUR_MS)
    assert tracker.status(tube.samples[-1][0] + 2 * HOUR_MS).cotton == "wet"


def test_the_activity_of_the_face_is_followed_down():
    tube = Tube(9, 60 * 24, 20 * 24, cotton_h=300, w0=0.6)
    at = next(n for n, a in enumerate(tube.activity) if a < 0.8)
    status = follow(tube, upto=at).status(tube.samples[at][0])
    assert status.activity == pytest.approx(0.8, abs=max(0.06, 2 * status.activity_sd))


@pytest.mark.slow
def test_rates_of_drying_found_in_time_and_of_false_alarms():
    """Targets: found before the face falls under 0.75 in 95 of 100 tubes; under 1 false alarm in 1,000 nest-days.

    Where the face takes two days or longer to fall that far, who looks once a day, at any hour, sees it in 95 of 100 too.
    Probes biased by 2 %RH and 0.2 C (one standard deviation each, room and nest), drifting, noisy; opened plugs; weather
    and lamps; baselines 0.15 to 0.92; half of the tubes heated. The room is tube_room.py, which shares no code with the
    product.
    """
    found, tubes, false, wet_hours, looks = 0, 200, 0, 0, []
    for number in range(tubes):
        falling, alarms, hours = watched(drying_tube(number))
        found, false, wet_hours = found + any(falling), false + alarms, wet_hours + hours
        if len(falling) >= 48:
            looks.append(sum(any(falling[hour::24]) for hour in range(24)) / 24)
    per_1000 = 24_000 * false / wet_hours
    print(
        f"found {found} of {tubes}, once a day {np.mean(looks):.3f} of {len(looks)}; {per_1000:.2f} false per 1,000 days"
    )
    assert found / tubes >= 0.95
    assert np.mean(looks) >= 0.95
    assert per_1000 < 1.0


def drying_tube(number):
    """A tube of any kind that runs dry once, after 25 to 110 days."""
    rng = random.Random(f"tube {number}")
    wet_h, cotton_h = rng.uniform(25, 110) * 24, rng.choice([80, 120, 250, 600])
    w0, heated, noise_pct = rng.uniform(0.15, 0.92), rng.random() < 0.5, rng.choice([0.2, 0.5, 1.0])
    return Tube(number, int(wet_h + 3 * cotton_h), wet_h, cotton_h, w0, heated, noise_pct)


def watched(tube):
    """Hour by hour whether its drying was told before activity 0.75, false alarms while it was wet, hours it was wet."""
    place = Place.WET_END if tube.w0 > 0.55 else Place.DRY_END
    tracker = WetnessTracker(*expected_baseline(place, None, None, None), filled=True)
    before, falling, false, hours = "wet", [], 0, 0
    known = zip(*(column.tolist() for column in quotients(*np.array(tube.samples).T[1:])), strict=True)
    for sample, activity, row in zip(tube.samples, tube.activity, known, strict=True):
        tracker.update(HourSample(*sample, None, Quotient(*row)))
        cotton = tracker.status(sample[0]).cotton
        if activity >= 0.98:
            hours += 1
            false += cotton in ("drying", "dry") and before not in ("drying", "dry")
        elif activity >= 0.75:
            falling.append(cotton in ("drying", "dry"))
        else:
            break
        before = cotton
    return falling, false, hours


def test_many_hours_at_once_are_as_one_by_one():
    """Damp rooms, cold nests, saturated air, missing values: ``quotients`` says what ``wetness`` and its sd say."""
    rng = np.random.default_rng(5)
    temp_c, humidity_pct = rng.uniform(5, 35, 200), rng.uniform(5, 100, 200)
    room_pa = rng.uniform(0.1, 1.3, 200) * saturation_pa(temp_c)
    together = zip(*quotients(temp_c, humidity_pct, room_pa), strict=True)
    for *air, (w, sd, room) in zip(temp_c.tolist(), humidity_pct.tolist(), room_pa.tolist(), together, strict=True):
        assert w == pytest.approx(wetness(*air), nan_ok=True)
        assert sd == pytest.approx(wetness_sd(*air))
        assert room == pytest.approx(air[2] / saturation_pa(air[0]))


def test_a_drifting_probe_is_no_drying_cotton():
    """3 %RH in a year, ten times the data sheet's worst, downward."""
    tracker = WetnessTracker(filled=True)
    for sample in hours([80.0 - 3.0 * n / 8766 + noise for n, noise in enumerate(noisy(0.0, 365 * 24))]):
        tracker.update(sample)
        assert tracker.status(sample.at_ms).cotton != "drying"


def test_an_open_door_or_plug_for_two_hours_is_no_drying_cotton():
    values = noisy(80.0, 30 * 24)
    for day in range(5, 30, 3):
        values[day * 24 : day * 24 + 2] = [45.0, 52.0]
    tracker = WetnessTracker(filled=True)
    for sample in hours(values):
        assert tracker.update(sample) is None
        assert tracker.status(sample.at_ms).cotton == "wet" or sample.at_ms < START_MS + 6 * HOUR_MS


def test_condensation_is_set_aside_and_its_recovery_too():
    """A wet sensor says 100 % and falls back over hours: neither a fill nor drying."""
    values = [*noisy(80.0, 10 * 24), *[100.0] * 40, 98.0, 95.0, 90.0, 86.0, 83.0, 81.0, *noisy(80.0, 10 * 24, seed=2)]
    tracker = WetnessTracker(filled=True)
    for sample in hours(values):
        assert tracker.update(sample) is None
        assert tracker.status(sample.at_ms).cotton in ("wet", "unknown")
    assert tracker.status(START_MS + len(values) * HOUR_MS).cotton == "wet"


def test_a_probe_pulled_away_from_the_cotton_is_asked_about_and_learned_anew():
    tracker = WetnessTracker(filled=True)
    events = []
    for sample in hours([*noisy(80.0, 15 * 24), *noisy(66.0, 15 * 24, seed=2)]):
        event = tracker.update(sample)
        events += [event] if event else []
        assert tracker.status(sample.at_ms).cotton not in ("drying", "dry")
    assert [event.kind for event in events] == ["moved"]
    assert abs(events[0].at_ms - (START_MS + 15 * 24 * HOUR_MS)) <= 2 * HOUR_MS
    assert tracker.status(START_MS + 30 * 24 * HOUR_MS).cotton == "wet"


# -- fills nobody logged


def dry_then_filled(log_it):
    """Ten wet days, ten of drying, then wet again."""
    fall = [80.0 - 25.0 * n / 240 + noise for n, noise in enumerate(noisy(0.0, 240, seed=3))]
    samples = hours([*noisy(80.0, 240), *fall, *noisy(80.0, 120, seed=4)])
    tracker, events = WetnessTracker(filled=True), []
    for n, sample in enumerate(samples):
        if log_it and n == 480:
            tracker.filled(sample.at_ms)
        event = tracker.update(sample)
        events += [event] if event else []
    return tracker, events, samples


def test_a_fill_nobody_logged_is_noticed_within_hours():
    tracker, events, samples = dry_then_filled(log_it=False)
    assert [event.kind for event in events] == ["fill"]
    assert abs(events[0].at_ms - samples[480].at_ms) <= 2 * HOUR_MS
    assert events[0].before < 0.7 < events[0].after
    status = tracker.status(samples[-1].at_ms)
    assert status.cotton == "wet"
    assert status.fill_noticed == tuple(events)


def test_a_logged_fill_is_not_asked_about():
    tracker, events, samples = dry_then_filled(log_it=True)
    assert events == []
    assert tracker.status(samples[-1].at_ms).cotton == "wet"


def test_a_fill_logged_later_takes_the_question_back():
    tracker, events, samples = dry_then_filled(log_it=False)
    tracker.filled(events[0].at_ms + 3 * HOUR_MS)
    assert tracker.status(samples[-1].at_ms).fill_noticed == ()


# -- its state


def test_the_state_survives_json_at_any_hour_and_stays_small():
    tube = Tube(11, 50 * 24, 25 * 24, cotton_h=200, w0=0.5)
    straight = follow(tube)
    halfway = follow(tube, upto=700)
    text = json.dumps(halfway.state())
    resumed = WetnessTracker.from_state(json.loads(text))
    for sample in tube.samples[700:]:
        resumed.update(HourSample(*sample))
    at_ms = tube.samples[-1][0]
    assert resumed.status(at_ms).cotton == straight.status(at_ms).cotton
    assert resumed.status(at_ms).w0 == pytest.approx(straight.status(at_ms).w0)
    assert len(text) < 3000


def test_hours_out_of_order_or_missing_are_ignored():
    tracker = follow(Tube(12, 240, NEVER))
    before = tracker.state()
    tracker.update(hours([10.0])[0])
    tracker.update(HourSample(START_MS + 500 * HOUR_MS, math.nan, 50.0, 1200.0))
    assert tracker.state() == before
