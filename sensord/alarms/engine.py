"""All probes' rules together: the one way from readings to alarm events, live and in a replay. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from sensord.alarms.conditions import Delays, Event
from sensord.alarms.hubs import HubProbes
from sensord.alarms.lifecycle import point
from sensord.alarms.rules import ProbeRules
from sensord.alarms.standing import Standing, Standings
from sensord.alarms.tuning import Tuning, default_delays
from sensord.clock import SECOND_MS
from sensord.model import AlarmKind
from sensord.settings import AlarmSettings


def tuning_of(settings: AlarmSettings) -> Tuning:
    """The rules' numbers as the keeper set them."""
    on_s = {
        AlarmKind.DRY: settings.dry_after_s,
        AlarmKind.WET: settings.wet_after_s,
        AlarmKind.HOT: settings.hot_after_s,
        AlarmKind.COLD: settings.cold_after_s,
    }
    delays = default_delays()
    for kind, seconds in on_s.items():
        delays[kind] = Delays(seconds * SECOND_MS, delays[kind].off_ms)
    return Tuning(
        delays=delays,
        deadband_temp_c=settings.deadband_temp_c,
        deadband_rh_pct=settings.deadband_rh_pct,
        severe_margin_c=settings.very_hot_margin_c,
        swing_temp_c=settings.swing_temp_c,
        silent_after_ms=settings.silent_after_s * SECOND_MS,
        hub_down_after_ms=settings.hub_down_after_s * SECOND_MS,
        reservoir_days=settings.reservoir_days,
        reservoir_urgent_days=settings.reservoir_urgent_days,
    )


class Engine:
    """The rules of every probe of a room.

    Attributes:
        rules: by probe. standings: where probes stand; set it anew with ``know`` when the room changes.
    """

    def __init__(self, tuning: Tuning, standings: Standings) -> None:
        self.tuning, self.standings = tuning, standings
        self.rules: dict[str, ProbeRules] = {}

    def find(self, probe: str, at_ms: int) -> Standing | None:
        """Where a probe stands at an instant."""
        return self.standings.of(probe, at_ms)

    def know(self, standings: Standings) -> None:
        """The room changed: every probe is looked up again at its next reading."""
        self.standings = standings
        for rules in self.rules.values():
            rules.look_up_again()

    def of(self, probe: str) -> ProbeRules:
        """The rules of one probe, new where it has none yet."""
        found = self.rules.get(probe)
        if found is None:
            found = self.rules[probe] = ProbeRules(probe, self.tuning, self.find)
        return found

    def tick(self, now_ms: int) -> list[Event]:
        """What follows from time alone, for all probes."""
        return [event for rules in self.rules.values() for event in rules.tick(now_ms)]

    def step(self, by_ms: int, now_ms: int) -> None:
        """The wall clock was moved by so much, to ``now_ms``."""
        for rules in self.rules.values():
            rules.step(by_ms, now_ms)

    def worst(self) -> Iterator[tuple[tuple[str, AlarmKind], float]]:
        """The worst value so far of every standing alarm, by its point."""
        for rules in self.rules.values():
            nest = rules.standing.nest if rules.standing else None
            for kind, condition in rules.conditions.items():
                if condition.raised_ms is not None:
                    yield point(nest, rules.probe, kind), condition.worst

    def by_hub(self) -> dict[str, HubProbes]:
        """What each hub is to read: its probes that stand somewhere, and those that were never placed."""
        found: dict[str, list[int]] = {}
        for probe, rules in self.rules.items():
            if rules.standing is not None and "/" in probe:
                found.setdefault(probe.partition("/")[0], []).append(rules.last_ms)
        return {hub: HubProbes(len(read_ms), max(read_ms)) for hub, read_ms in found.items()}

    def save(self, probes: set[str] | None = None) -> dict[str, str]:
        """The rules' state of some probes (None: all) as JSON text."""
        return {
            probe: json.dumps(rules.save(), separators=(",", ":"))
            for probe, rules in self.rules.items()
            if probes is None or probe in probes
        }

    def load(self, saved: Mapping[str, str]) -> None:
        """Go on where ``save`` was."""
        for probe, text in saved.items():
            self.of(probe).load(json.loads(text))
