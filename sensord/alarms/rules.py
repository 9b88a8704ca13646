"""Readings in, alarm events out. Pure: the readings carry the time, and whoever asks says what instant it is.

The same code runs live (watch.py) and over stored readings (replay.py). One ``ProbeRules`` follows one probe.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from sensord.alarms.conditions import NEVER_MS, Condition, Event, Raised, Returned, Worse
from sensord.alarms.doubt import GATE_TEMP_C, SATURATED_RH_PCT, Doubt
from sensord.alarms.standing import Standing
from sensord.alarms.swing import SAMPLE_MS, Swing
from sensord.alarms.tuning import PRIORITY, Tuning
from sensord.clock import HOUR_MS, MINUTE_MS, SECOND_MS
from sensord.model import AlarmKind, Priority, Season

K = AlarmKind
FEW_READINGS = 3
PACE_GAPS = 5
NEW_PROBE_SILENCE_MS = 4 * HOUR_MS
CARRIED_MS = HOUR_MS
AGAIN_WITHIN_MS = 2 * HOUR_MS
MOST_AGAIN = 4
SIGN = {K.DRY: -1, K.COLD: -1}


FindStanding = Callable[[str, int], Standing | None]


class ProbeRules:
    """All that is evaluated of one probe. Readings at or before the last evaluated one are ignored."""

    def __init__(self, probe: str, tuning: Tuning, find: FindStanding) -> None:
        self.probe, self._tuning, self._find = probe, tuning, find
        self.last_ms = -1
        self.heard_ms = -1
        self.seen = 0
        self.conditions: dict[AlarmKind, Condition] = {}
        self.standing: Standing | None = None
        self._valid_until_ms = -1
        self._due_ms = NEVER_MS
        self._every_ms = 0
        self._gaps: deque[int] = deque(maxlen=PACE_GAPS)
        self._silence_ms = NEW_PROBE_SILENCE_MS
        self._swing = Swing()
        self._ended: dict[AlarmKind, tuple[int, int]] = {}
        self._doubt = Doubt()
        self._temp_low = self._temp_high = self._rh_low = self._rh_high = 0.0

    def read(self, at_ms: int, temp_c: float | None, rh_pct: float | None) -> list[Event]:
        """Evaluate one reading, calibrated; what follows from it."""
        if at_ms <= self.last_ms:
            return []
        events: list[Event] = []
        if self._due_ms < at_ms or self.heard_ms + self._silence_ms < at_ms:
            events = self.tick(at_ms - 1)
        gap_ms = at_ms - self.last_ms
        if self.seen and gap_ms > self._silence_ms:
            self._forget()
        self._learn_pace(gap_ms)
        self.last_ms = self.heard_ms = at_ms
        if at_ms >= self._valid_until_ms:
            events += self._look_up(at_ms)
        if self.standing is None:
            return events
        busy = self._note_faults(at_ms, temp_c, rh_pct)
        if temp_c is not None and GATE_TEMP_C[0] <= temp_c <= GATE_TEMP_C[1]:
            if at_ms >= self._swing.due_ms:
                self._sample(at_ms, temp_c)
            if self.conditions or not self._temp_low <= temp_c <= self._temp_high:
                self._feed_temp(at_ms, temp_c)
        if rh_pct is not None and (self.conditions or not self._rh_low <= rh_pct <= self._rh_high):
            self._feed_rh(at_ms, rh_pct)
        return events + self._conclude(at_ms) if busy or self.conditions else events

    def _conclude(self, at_ms: int) -> list[Event]:
        silent = self.conditions.get(K.SILENT)
        if silent is not None:
            silent.mark(at_ms, silent.worst, beyond=False, cleared=True)
        self._plan()
        return self._settle(at_ms) if self._due_ms <= at_ms else []

    def tick(self, now_ms: int) -> list[Event]:
        """What follows from time alone, up to and including ``now_ms``: delays that end, and silence."""
        events: list[Event] = []
        if self.seen and now_ms >= self._valid_until_ms:
            events += self._look_up(now_ms)
        if self._due_ms <= now_ms:
            events += self._settle(now_ms)
        if self.reported:
            return events + self._tick_reported(now_ms)
        if self.seen and now_ms >= self.heard_ms + self._silence_ms and self.standing is not None:
            silent = self.conditions.get(K.SILENT)
            if silent is None:
                silent = self.conditions[K.SILENT] = Condition(1)
            if silent.raised_ms is None:
                due_ms = max(self.heard_ms + self._silence_ms, self.standing.since_ms)
                silent.limit = silent.worst = self._silence_ms / SECOND_MS
                events.append(self._raise(K.SILENT, silent, due_ms, Priority.MEDIUM))
            silent.inside_ms = None
            silent.worst = (now_ms - self.heard_ms) / SECOND_MS
        return events

    def report(self, at_ms: int, line: str) -> None:
        """What the hub says ails this probe, one line; empty: nothing, so that it is about to be read again.

        It counts once it was said for five minutes; until it is taken back the probe is not silent but faulty.
        """
        if self._doubt.report(at_ms, line):
            self.heard_ms = max(self.heard_ms, at_ms)

    def _tick_reported(self, now_ms: int) -> list[Event]:
        """The alarm of a fault that the hub reports, without a reading."""
        due_ms = self._doubt.reported_due_ms(self.heard_ms, self._silence_ms)
        if now_ms < due_ms:
            return []
        events = self._look_up(now_ms) if now_ms >= self._valid_until_ms else []
        if self.standing is None:
            return events
        faulty = self._condition(K.FAULTY)
        faulty.mark(now_ms, (now_ms - self._doubt.reported_ms) / SECOND_MS, beyond=True, cleared=False)
        if faulty.raised_ms is None:
            blind = self.heard_ms <= self._doubt.reported_ms
            due_ms = max(due_ms, self.standing.since_ms)
            events.append(self._raise(K.FAULTY, faulty, due_ms, Priority.MEDIUM if blind else Priority.LOW))
        return events

    def step(self, by_ms: int, now_ms: int) -> None:
        """The wall clock was moved to ``now_ms``: silence is counted on as if it had not been, nothing is evaluated twice."""
        self.heard_ms += by_ms
        if self.reported:
            self._doubt.reported_ms += by_ms
        if by_ms < 0:
            self.last_ms = min(self.last_ms, now_ms)
            for condition in self.conditions.values():
                condition.restart()

    def skip_to(self, at_ms: int) -> None:
        """What was read before ``at_ms`` is history nobody evaluated live: it neither raises nor counts as silence."""
        if self.last_ms < at_ms - 1:
            self._forget()
            self._due_ms = NEVER_MS
            self.last_ms, self.heard_ms = at_ms - 1, max(self.heard_ms, at_ms - 1)

    @property
    def reported(self) -> bool:
        """Whether the hub reports a fault of this probe."""
        return self._doubt.reported_ms >= 0

    @property
    def patience_ms(self) -> int:
        """How long this probe may be without a reading before it counts as silent."""
        return self._silence_ms

    def look_up_again(self) -> None:
        """Ask anew where the probe stands when next evaluated."""
        self._valid_until_ms = -1

    def expect(self, at_ms: int) -> None:
        """A probe that is known but was not read yet: it is silent from there on."""
        if not self.seen:
            self.seen, self.last_ms, self.heard_ms = 1, at_ms, at_ms

    def _learn_pace(self, gap_ms: int) -> None:
        """How often this probe is read: the median of its last gaps, the longest while there are few."""
        self.seen += 1
        if self.seen == 1:
            return
        self._gaps.append(gap_ms)
        if gap_ms != self._every_ms:
            gaps = sorted(self._gaps)
            self._every_ms = gaps[-1] if len(gaps) < PACE_GAPS else gaps[PACE_GAPS // 2]
        if self.seen >= FEW_READINGS:
            self._silence_ms = max(self._tuning.silent_after_ms, 3 * self._every_ms)

    def _forget(self) -> None:
        for condition in self.conditions.values():
            condition.restart()
        self._swing.forget()
        if not self._stands(K.FAULTY):
            self._doubt.forget()

    def _look_up(self, at_ms: int) -> list[Event]:
        """Where the probe stands now. When it was moved, its alarms there are over."""
        before, self.standing = self.standing, self._find(self.probe, at_ms)
        events: list[Event] = []
        now = self.standing
        moved = before is not None and (now is None or (now.since_ms, now.nest) != (before.since_ms, before.nest))
        if moved and before is not None:
            for kind, condition in self.conditions.items():
                if condition.raised_ms is not None:
                    events.append(Returned(self.probe, before.nest, kind, at_ms, condition.worst))
            self.conditions.clear()
            self._ended.clear()
            self._forget()
            self._due_ms = NEVER_MS
        if now is None:
            self._valid_until_ms = at_ms + 5 * MINUTE_MS
            return events
        self._valid_until_ms = now.until_ms
        placed = now.place is not None
        temp, rh = now.bands.temp_c, now.bands.rh_pct
        self._temp_low, self._temp_high = (temp.limit_low, temp.limit_high) if placed else GATE_TEMP_C
        self._rh_low, self._rh_high = (rh.limit_low, rh.limit_high) if placed else (0.0, 100.0)
        return events

    def _feed_temp(self, at_ms: int, temp_c: float) -> None:
        deadband = self._tuning.deadband_temp_c
        for kind, limit in ((K.HOT, self._temp_high), (K.COLD, self._temp_low)):
            sign = SIGN.get(kind, 1)
            if kind in self.conditions or (temp_c - limit) * sign > 0:
                margin = self._severe_margin_c() if kind == K.HOT else None
                self._condition(kind).feed(at_ms, temp_c, limit, deadband, margin)

    def _feed_rh(self, at_ms: int, rh_pct: float) -> None:
        if not 0.0 < rh_pct <= 100.0:
            return
        for kind, limit in ((K.DRY, self._rh_low), (K.WET, self._rh_high)):
            if kind in self.conditions or (rh_pct - limit) * SIGN.get(kind, 1) > 0:
                self._condition(kind).feed(at_ms, rh_pct, limit, self._tuning.deadband_rh_pct)

    def _sample(self, at_ms: int, temp_c: float) -> None:
        """The swing of the last hour, where that says something of its own."""
        self._swing.due_ms = at_ms + SAMPLE_MS
        if K.SWING not in self.conditions and (self._rests() or self._is_swing_of_another(at_ms)):
            self._swing.forget()
            return
        swing = self._swing.take(at_ms, temp_c, self._every_ms)
        if swing > self._tuning.swing_temp_c or K.SWING in self.conditions:
            self._condition(K.SWING).feed(at_ms, swing, self._tuning.swing_temp_c, self._tuning.deadband_temp_c)

    def _is_swing_of_another(self, at_ms: int) -> bool:
        """A nest that was carried elsewhere follows its new air for an hour; one that is too hot or too cold, or was within
        the hour, swings because of that."""
        if self.standing is not None and at_ms < self.standing.since_ms + CARRIED_MS:
            return True
        return any(
            self._stands(kind) or at_ms < self._ended.get(kind, (-HOUR_MS, 0))[0] + HOUR_MS for kind in (K.HOT, K.COLD)
        )

    def _note_faults(self, at_ms: int, temp_c: float | None, rh_pct: float | None) -> bool:
        """Whether the probe can be believed; True while that is in question."""
        deadband = self._tuning.deadband_rh_pct if self.conditions and self._stands(K.FAULTY) else 0.0
        if not self._doubt.note(at_ms, temp_c, rh_pct, deadband) and K.FAULTY not in self.conditions:
            return False
        saturated = self.standing is not None and self.standing.bands.rh_pct.limit_high >= SATURATED_RH_PCT
        fault_s = self._doubt.fault_s(at_ms, self._tuning, self._silence_ms, saturated=saturated)
        if fault_s or K.FAULTY in self.conditions:
            self._condition(K.FAULTY).mark(at_ms, fault_s, beyond=fault_s > 0, cleared=fault_s == 0)
            return True
        return False

    def _stands(self, kind: AlarmKind) -> bool:
        return kind in self.conditions and self.conditions[kind].raised_ms is not None

    def _condition(self, kind: AlarmKind) -> Condition:
        found = self.conditions.get(kind)
        if found is None:
            found = self.conditions[kind] = Condition(SIGN.get(kind, 1), priority=self._priority(kind))
        return found

    def _priority(self, kind: AlarmKind) -> Priority:
        if kind == K.HOT and self._rests():
            return Priority.LOW
        return PRIORITY[kind]

    def _plan(self) -> None:
        due_ms = NEVER_MS
        for kind in [kind for kind, condition in self.conditions.items() if condition.idle]:
            del self.conditions[kind]
        for kind, condition in self.conditions.items():
            due_ms = min(due_ms, self._due(kind, condition))
        self._due_ms = due_ms

    def _due(self, kind: AlarmKind, condition: Condition) -> int:
        delays = self._tuning.delays[kind]
        if condition.again:
            delays = replace(
                delays, off_ms=min(delays.off_ms << condition.again, max(delays.off_ms, self._tuning.longest_off_ms))
            )
        if kind == K.HOT and self._rests():
            delays = replace(delays, on_ms=max(delays.on_ms, self._tuning.resting_hot_on_ms))
        return condition.due_ms(delays, self._tuning.severe_on_ms)

    def _rests(self) -> bool:
        """A fridge whose door stands open or that defrosts harms nobody who rests in it."""
        return self.standing is not None and self.standing.season == Season.WINTER_REST

    def _severe_margin_c(self) -> float:
        return self._tuning.resting_severe_margin_c if self._rests() else self._tuning.severe_margin_c

    def _settle(self, now_ms: int) -> list[Event]:
        """Raise and clear what is due. Where readings come too thinly to tell, the next reading decides."""
        events: list[Event] = []
        fresh_ms = max(5 * self._every_ms // 2, 150 * SECOND_MS)
        for kind, condition in self.conditions.items():
            due_ms = self._due(kind, condition)
            if due_ms > now_ms:
                continue
            if due_ms - self.last_ms > fresh_ms:
                continue
            events += self._follow(kind, condition, max(due_ms, condition.raised_ms or 0))
        self._plan()
        return events

    def _follow(self, kind: AlarmKind, condition: Condition, at_ms: int) -> list[Event]:
        assert self.standing is not None
        severe_ms = condition.severe_ms
        severe = severe_ms is not None and at_ms >= severe_ms + self._tuning.severe_on_ms and not condition.escalated
        condition.escalated |= severe
        if condition.raised_ms is None:
            return [self._raise(kind, condition, at_ms, self._severe() if severe else condition.priority)]
        nest = self.standing.nest
        if severe:
            condition.priority = self._severe()
            return [Worse(self.probe, nest, kind, condition.priority, at_ms, condition.worst, condition.limit)]
        self._ended[kind] = (at_ms, condition.again)
        condition.raised_ms = condition.inside_ms = None
        condition.escalated = False
        return [Returned(self.probe, nest, kind, at_ms, condition.worst)]

    def _severe(self) -> Priority:
        """A nest far too hot is urgent; one that rests far too warm is not dying of it."""
        return Priority.MEDIUM if self._rests() else Priority.HIGH

    def _raise(self, kind: AlarmKind, condition: Condition, at_ms: int, priority: Priority) -> Event:
        assert self.standing is not None
        condition.raised_ms, condition.priority = at_ms, priority
        ended_ms, again = self._ended.get(kind, (-AGAIN_WITHIN_MS, 0))
        condition.again = min(again + 1, MOST_AGAIN) if at_ms - ended_ms < AGAIN_WITHIN_MS else 0
        detail = self._doubt.reported if kind == K.FAULTY else ""
        return Raised(self.probe, self.standing.nest, kind, priority, at_ms, condition.worst, condition.limit, detail)

    def save(self) -> dict[str, Any]:
        """Everything that was learned, as JSON."""
        return {
            **{name: getattr(self, name) for name in _SAVED},
            "gaps": list(self._gaps),
            **self._swing.save(),
            "ended": self._ended,
            **self._doubt.save(),
            "conditions": {kind: condition.save() for kind, condition in self.conditions.items()},
        }

    def load(self, saved: dict[str, Any]) -> None:
        """Go on where ``save`` was."""
        for name in _SAVED:
            setattr(self, name, saved.get(name, getattr(self, name)))
        self._gaps.extend(saved["gaps"])
        self._swing.load(saved)
        self._ended = {AlarmKind(kind): (at_ms, again) for kind, (at_ms, again) in saved.get("ended", {}).items()}
        self._doubt = Doubt.load(saved)
        self.conditions = {AlarmKind(kind): Condition.load(each) for kind, each in saved["conditions"].items()}
        if self.seen:
            self._look_up(self.last_ms)
        self._plan()


_SAVED = ("last_ms", "heard_ms", "seen", "_every_ms", "_silence_ms")
