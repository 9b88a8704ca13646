"""A month of 200 nests in late winter through rules, lifecycle, log and push, judged by what the air truly was.

The house (winter_room.py), what goes wrong in it and the probes (winter_month.py) were written before anybody looked at what
the rules make of them. The bounds are what the trade's standards ask for (ANSI/ISA-18.2: chattering, floods) or what we owe a
keeper; the month passes them with room to spare on other streams of chance and in a house of quite another build.
"""

from __future__ import annotations

from collections import Counter

import pytest
from winter_judge import Heard, Verdict, judge, live_with, repeats
from winter_month import COUNT, Month, live
from winter_room import House

from sensord.alarms.replay import busiest, chattering
from sensord.clock import DAY_MS, MINUTE_MS

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def month() -> Month:
    return live(House(every_min=6), 501)


@pytest.fixture(scope="module")
def heard(month: Month) -> Heard:
    return live_with(month)


@pytest.fixture(scope="module")
def verdict(month: Month, heard: Heard) -> Verdict:
    return judge(month, heard)


@pytest.mark.xdist_group("winter month")
class TestWinterMonth:
    """One month for all of them: working it out takes half a minute."""

    def test_no_incident_is_missed_and_none_is_told_late(self, verdict: Verdict) -> None:
        """Twenty kinds of them are far enough beyond the probes' own ±2 %RH and ±0.2 °C to be demanded."""
        assert len(verdict.demanded) >= 18
        assert verdict.missed == []
        assert verdict.late == []

    def test_at_most_one_false_alarm_in_a_thousand_nest_days(self, verdict: Verdict, month: Month) -> None:
        false = [each.alarm for each in verdict.judged if each.verdict == "false"]
        near = [each.alarm for each in verdict.judged if each.verdict == "near"]
        assert len(false) <= COUNT * month.house.days / 1000, false
        assert len(near) <= 3 * COUNT * month.house.days / 1000, near

    def test_at_most_ten_messages_a_day_and_never_a_flood(self, heard: Heard, month: Month) -> None:
        """Twenty-five incidents, nine of which concern a dozen nests or a whole room."""
        assert len(heard.messages) <= 10 * month.house.days
        ordinary = [at_ms for at_ms, *_, title, _ in heard.messages if not title.startswith("URGENT")]
        assert busiest(ordinary, 10 * MINUTE_MS) <= 10
        assert max(Counter(at_ms // DAY_MS for at_ms, *_ in heard.messages).values()) <= 60

    def test_nothing_chatters_and_nothing_comes_back_all_day(self, heard: Heard) -> None:
        """A cable that comes and goes for a day, and a mat that switches hard for half of one, are told a few times, not each time."""
        assert chattering(heard.alarms) == 0
        assert max(repeats(heard).values()) <= 8
