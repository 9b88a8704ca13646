"""What can be done about an alarm, as buttons: acknowledge, shelve for a while with a reason, take it off the shelf."""

from __future__ import annotations

import json
from collections.abc import Sequence

from markupsafe import Markup

from dashboard import text_access as text
from dashboard.snapshot import AlarmNow
from dashboard.viewmodels import local

ASKS = frozenset({"unacknowledged", "returned"})
"""States that ask somebody to acknowledge."""


def actions(alarm: AlarmNow, *, large: bool = False) -> Markup:
    """The buttons that make sense in its state."""
    buttons = []
    if alarm.state in ASKS:
        buttons.append(_button("acknowledge", {"id": alarm.id}, text.ACKNOWLEDGE, large=large))
    if alarm.state == "shelved":
        buttons.append(_button("bring-back", {"id": alarm.id}, text.UNSHELVE))
    elif alarm.state in {"unacknowledged", "acknowledged"}:
        buttons.append(_shelving(alarm))
    return Markup('<div class="actions">{}</div>').format(Markup("").join(buttons)) if buttons else Markup("")


def acknowledge_all(alarms: Sequence[AlarmNow]) -> Markup:
    """One button for all these: of those only, not of what is raised while somebody reads."""
    ids = [alarm.id for alarm in alarms if alarm.state in ASKS]
    if len(ids) < 2:
        return Markup("")
    return Markup("<p>{}</p>").format(_button("acknowledge", {"ids": ids}, text.ACKNOWLEDGE_ALL.format(count=len(ids))))


def state_words(alarm: AlarmNow, zone: str) -> str:
    """Its state by the standard; of a shelved one until when, why and by whom."""
    words = text.ALARM_STATES.get(alarm.state, alarm.state.replace("_", " "))
    until = local(alarm.aside_until_ms, zone, "%-d %b %H:%M") if alarm.aside_until_ms else ""
    more = (text.UNTIL.format(at=until) if until else "", alarm.aside_because, alarm.aside_by)
    return ", ".join(part for part in (words, *more) if part) if alarm.aside_because or until else words


def _button(action: str, body: dict[str, object], words: str, *, large: bool = False) -> Markup:
    return Markup(
        '<button class="act{}" data-write="/write/alarms/{}" data-body="{}" data-then="reload">{}</button>'
    ).format(Markup(" large") if large else "", action, json.dumps(body), words)


def _shelving(alarm: AlarmNow) -> Markup:
    lengths = Markup("").join(
        Markup('<option value="{}">{}</option>').format(value, word) for value, word in text.SHELF_LENGTHS
    )
    return Markup(
        '<details><summary class="act">{}</summary>'
        '<form class="ask" data-write="/write/alarms/shelve" data-body="{}" data-then="reload">'
        '<label>{} <select name="for">{}</select></label>'
        '<label>{} <input name="because" required maxlength="500"></label><button>{}</button></form></details>'
    ).format(
        text.SHELVE_FOR, json.dumps({"id": alarm.id}), text.FOR, lengths, text.BECAUSE, text.SHELVE,
    )  # fmt: skip
