"""``calibrate salt`` without a window: look at a probe in its jar until it has settled."""

from __future__ import annotations

import sys

from sensord.air.calibration import LEAST_MINUTES, LEAST_READINGS, SaltPoint, Window, salt_point
from sensord.clock import HOUR_MS, MINUTE_MS, iso, to_ms
from sensord.errors import InputError
from sensord.wiring import Room

LOOK_EVERY_S = 30.0
SAY_EVERY_MS = 5 * MINUTE_MS
LONGEST_WAIT_MS = 12 * HOUR_MS
WINDOW_MS = (LEAST_MINUTES + 5) * MINUTE_MS
SILENT_AFTER_MS = 10 * MINUTE_MS


def read(probe: str, window: tuple[int, int], room: Room) -> Window:
    """The complete readings of a probe in ``from <= at < to``, raw."""
    found = room.store.raw(probe, *window)
    rows = zip(found.at_ms, found.temp_c, found.rh_pct, strict=True)
    return Window(probe, [row for row in rows if row[1] == row[1] and row[2] == row[2]])


def watch(probe: str, salt: str, room: Room) -> SaltPoint:
    """The probe over the salt, once it has settled.

    Raises:
        InputError: it has not within 12 h.
        KeyboardInterrupt: the keeper has no more patience; said is how to go on.
    """
    start_ms = to_ms(room.clock.now())
    _say(f"watching {probe}; settling takes about an hour. Ctrl-C loses nothing: the readings are stored meanwhile")
    try:
        return _settled(probe, salt, start_ms, room)
    except KeyboardInterrupt:
        again = f"nestclimate calibrate salt {probe} --salt {salt} --from {iso(start_ms // 1000 * 1000)} --to T"
        _say(
            f"stopped, no calibration was made. Once settled, give a window of {LEAST_MINUTES} minutes or more: {again}"
        )
        raise


def _settled(probe: str, salt: str, start_ms: int, room: Room) -> SaltPoint:
    kind, due_ms = "", 0
    while True:
        now_ms = to_ms(room.clock.now())
        window = _last_minutes(read(probe, (start_ms, now_ms + 1), room), now_ms)
        try:
            point = salt_point(salt, window)
        except InputError as error:
            if now_ms - start_ms > LONGEST_WAIT_MS:
                raise
            said = _silence(window, start_ms, now_ms) or error.problems[0]
            if _kind(said) != kind or now_ms >= due_ms:
                kind, due_ms = _kind(said), now_ms + SAY_EVERY_MS
                _say(f"{iso(now_ms // 1000 * 1000)} {said}")
            room.clock.sleep(LOOK_EVERY_S)
        else:
            _say(f"settled: --salt {salt} --from {iso(window.readings[0][0])} --to {iso(window.readings[-1][0] + 1)}")
            return point


def _last_minutes(found: Window, now_ms: int) -> Window:
    """As much as is looked at; more where the hub scans seldom."""
    lately = sum(row[0] >= now_ms - WINDOW_MS for row in found.readings)
    return Window(found.probe, found.readings[-max(lately, LEAST_READINGS + 2) :])


def _silence(window: Window, start_ms: int, now_ms: int) -> str:
    last_ms = window.readings[-1][0] if window.readings else start_ms
    if now_ms - last_ms < SILENT_AFTER_MS:
        return ""
    since = iso(last_ms // 1000 * 1000)
    return f"probe {window.probe}: no reading since {since}; do 'nestclimate sense' and 'nestclimate record' run?"


def _kind(said: str) -> str:
    return "".join(letter for letter in said if letter.isalpha())


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
