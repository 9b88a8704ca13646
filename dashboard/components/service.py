"""Out of service: its shape and its words, the form that takes something out, and the button that puts it back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from urllib.parse import quote

from markupsafe import Markup

from dashboard import text_access as text
from dashboard.components.drawing import mark
from dashboard.snapshot import OutOfService, Snapshot
from dashboard.viewmodels import moment

TAKE_PATH, BACK_PATH = "/write/alarms/out-of-service", "/write/alarms/in-service"


def service_words(taken: OutOfService, snapshot: Snapshot, asked: str = "") -> str:
    """``out of service until 14:00: fresh tube, mara``; ``asked``: the subject whose page it is, so not named again."""
    form = text.OUT_UNTIL if taken.until_ms else text.OUT_OPEN
    until = moment(taken.until_ms, snapshot.at_ms, snapshot.time_zone) if taken.until_ms else ""
    with_ = "" if taken.subject == asked else f" ({taken.subject})"
    return form.format(until=until, because=taken.because, by=taken.by or text.BY_NOBODY) + with_


def service_html(taken: OutOfService, snapshot: Snapshot, asked: str = "") -> Markup:
    """In words and shape."""
    return Markup('<span class="word">{}{}</span>').format(mark("service", ""), service_words(taken, snapshot, asked))


def back_html(subject: str) -> Markup:
    """Puts it back; the watch then tells what still stands."""
    return Markup(
        '<button type="button" class="act" data-write="{}" data-body="{}" data-then="reload" aria-label="{}">{}</button>'
    ).format(
        BACK_PATH, json.dumps({"subject": subject}), text.BACK_NAME.format(subject=subject), text.BACK_IN_SERVICE
    )  # fmt: skip


def take_html(subjects: Sequence[str]) -> Markup:
    """Asks for how long and why; of several subjects also which."""
    which = Markup('<input type="hidden" name="subject" value="{}">').format(subjects[0])
    if len(subjects) > 1:
        which = Markup('<label>{} <select name="subject">{}</select></label>').format(
            text.WHAT, Markup("").join(Markup("<option>{}</option>").format(each) for each in subjects)
        )
    lengths = Markup("").join(
        Markup('<option value="{}">{}</option>').format(value, word) for value, word in text.SHELF_LENGTHS
    )
    return Markup(
        '<details class="service"><summary class="act">{}</summary><p class="soft">{}</p>'
        '<form class="ask" data-write="{}" data-then="reload">{}<label>{} <select name="for">{}</select></label>'
        '<label>{} <input name="because" required maxlength="300"></label><button>{}</button></form></details>'
    ).format(
        text.TAKE_OUT, text.TAKE_MEANS, TAKE_PATH, which, text.FOR, lengths, text.BECAUSE, text.TAKE_OUT_NOW,
    )  # fmt: skip


def part_html(taken: OutOfService | None, subject: str, snapshot: Snapshot, *, may_write: bool) -> Markup:
    """On the page of one nest or probe: its state and its way back, or the way out; nothing for a visitor of one in service."""
    if taken is None:
        return take_html([subject]) if may_write else Markup("")
    back = back_html(taken.subject) if may_write else ""
    return Markup('<div class="service-state">{}{}</div>').format(service_html(taken, snapshot, subject), back)


def list_html(snapshot: Snapshot, *, may_write: bool) -> Markup:
    """Everything that is out of service, each with its way back; nothing where nothing is."""
    if not snapshot.out_of_service:
        return Markup("")
    items = Markup("").join(
        Markup('<li><div><span class="name">{}</span>{}</div>{}</li>').format(
            _linked(taken.subject), service_html(taken, snapshot, taken.subject), back_html(taken.subject) if may_write else ""
        )
        for taken in snapshot.out_of_service
    )  # fmt: skip
    return Markup('<h2>{}</h2><ul class="alarms">{}</ul>').format(text.OUT_TITLE, items)


def _linked(subject: str) -> Markup:
    kind, _, name = subject.partition(" ")
    pages = {"nest": f"/nest/{quote(name)}", "probe": f"/probe?name={quote(name)}"}
    if kind not in pages:
        return Markup("{}").format(subject)
    return Markup('<a href="{}">{}</a>').format(pages[kind], subject)
