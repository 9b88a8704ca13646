"""How far a temperature went within the last hour, as told from readings of one probe. Pure; time is the readings' own."""

from __future__ import annotations

from collections import deque
from typing import Any

from sensord.clock import HOUR_MS, MINUTE_MS

SAMPLE_MS = 5 * MINUTE_MS
BRIEF_MS = 10 * MINUTE_MS


class Swing:
    """Samples five minutes apart, each the median of the twenty minutes about it: what lasts less than ten, such as a door
    that was opened, is no swing.

    Attributes:
        due_ms: instant from which the next sample is wanted.
    """

    def __init__(self) -> None:
        self.due_ms = -1
        self._samples: deque[tuple[int, float]] = deque(maxlen=HOUR_MS // SAMPLE_MS + 1)
        self._recent: deque[float] = deque(maxlen=2 * BRIEF_MS // SAMPLE_MS + 1)

    def take(self, at_ms: int, temp_c: float, every_ms: int) -> float:
        """A sample in °C of a probe that is read every ``every_ms``; how far the last hour went, in °C.

        It begins with the first twenty minutes: before, nobody can tell what was brief.
        """
        reach = round(BRIEF_MS / max(SAMPLE_MS, every_ms))
        self._recent.append(temp_c)
        recent = sorted(list(self._recent)[-2 * reach - 1 :])
        if len(recent) > 2 * reach:
            self._samples.append((at_ms, recent[reach]))
        while self._samples and self._samples[0][0] < at_ms - HOUR_MS:
            self._samples.popleft()
        temps = [temp for _, temp in self._samples]
        return max(temps) - min(temps) if temps else 0.0

    def forget(self) -> None:
        """What was before says nothing about what follows."""
        self._samples.clear()
        self._recent.clear()

    def save(self) -> dict[str, Any]:
        """As JSON."""
        return {"samples": list(self._samples), "recent": list(self._recent), "_sample_ms": self.due_ms}

    def load(self, saved: dict[str, Any]) -> None:
        """Go on where ``save`` was."""
        self.due_ms = saved.get("_sample_ms", -1)
        self._samples.extend((at_ms, temp_c) for at_ms, temp_c in saved.get("samples", ()))
        self._recent.extend(saved.get("recent", ()))
