"""``/round``: what to do today, by urgency, then by the way through the room. One tap notes a line as done, one undoes it.

Made beside the requests; says when. What the tap writes is the journal entry that ends the line.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterable, Mapping
from urllib.parse import quote

from flask import Flask
from markupsafe import Markup

from dashboard import text, text_access
from dashboard.access import signed_in
from dashboard.components.drawing import SYMBOLS, mark
from dashboard.shell import failed, page
from dashboard.snapshot import Chore, Done, NestNow, RoundNow, Snapshot, Source
from dashboard.units import in_words
from dashboard.viewmodels import moment
from sensord.errors import NestclimateError
from sensord.keeping.journal import AMOUNTS
from sensord.model import EntryKind

_SHAPES = {"now": "act", "today": "drift", "when_there": "ok"}
_LEADS = {"calibrate": "/probe?name={probe}#checked", "move": "/colonies"}
"""Where to do what no journal entry can do alone."""


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/round")
    def todays_round() -> str:
        try:
            body = round_html(source.round(), source.snapshot(), may_write=signed_in() is not None)
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        body = Markup("{}<main><h1>Round</h1>{}</main>").format(SYMBOLS, body)
        return page("Round", body, scripts=("round.js",), here="/round")


def round_html(found: RoundNow | None, snapshot: Snapshot, *, may_write: bool) -> Markup:
    """A checklist by urgency; words where there is none."""
    if found is None:
        return Markup("<p>{}</p>").format(text.ROUND_SOON)
    at = moment(found.at_ms, snapshot.at_ms, snapshot.time_zone)
    if found.problem:
        return Markup("<p>{}</p>").format(text.ROUND_FAILED.format(at=at, reason=found.problem))
    made = Markup('<p class="soft">{}</p>').format(text.ROUND_MADE.format(at=at))
    if not found.chores and not found.done:
        return Markup('<p class="large">{}</p>{}').format(text.ROUND_EMPTY if snapshot.nests else _no_nests(), made)
    nests = {now.nest.name: now for now in snapshot.nests}
    lines = [(chore, None) for chore in found.chores] + [(done.chore, done) for done in found.done]
    items = [
        (chore, _line(_in_unit(chore, snapshot), nests.get(chore.nest or ""), done, may_write=may_write))
        for chore, done in lines
    ]
    parts = [_part(urgency, items, found.chores) for urgency in text.URGENCIES]
    tally = Markup('<p class="large" id="tally" data-words="{}"></p>').format(text_access.TALLY)
    return Markup("").join((made, tally if may_write else _invitation(), *parts))


def _no_nests() -> Markup:
    return Markup('{} <a href="/colonies">{}</a>.').format(text.ROUND_NO_NESTS, dict(text.PAGES)["/colonies"])


def _in_unit(chore: Chore, snapshot: Snapshot) -> Chore:
    return dataclasses.replace(chore, why=in_words(chore.why, snapshot.temperature_unit))


def _invitation() -> Markup:
    return Markup('<p><a href="/sign-in?next=/round">{}</a> {}</p>').format(text_access.SIGN_IN, text_access.TO_TICK)


def _part(urgency: str, items: Iterable[tuple[Chore, Markup]], open_: tuple[Chore, ...]) -> Markup:
    """One heading with its lines, shelf by shelf; what was done stands last."""
    mine = [(chore, line) for chore, line in items if chore.urgency == urgency]
    if not mine:
        return Markup("")
    lines, shelf = [], None
    for chore, line in mine:
        here = " · ".join(part for part in (chore.room, chore.rack) if part)
        if here != shelf:
            shelf = here
            lines.append(Markup('<li class="shelf-name">{}</li>').format(here))
        lines.append(line)
    number = sum(chore.urgency == urgency for chore in open_)
    return Markup('<h2>{} <small>{}</small></h2><ul class="round" data-urgency="{}">{}</ul>').format(
        text.URGENCIES[urgency], number, urgency, Markup("").join(lines)
    )


def _line(chore: Chore, now: NestNow | None, done: Done | None, *, may_write: bool) -> Markup:
    where = Markup("<i></i>")
    if chore.nest:
        where = Markup('<a href="/nest/{}">{}</a>').format(quote(chore.nest), chore.nest)
    tick = _tick(chore, now, done) if may_write else Markup("")
    return Markup('<li class="chore{}"{}>{}{}{}<b>{}</b>{}<span>{}</span></li>').format(
        Markup(" done") if done else "",
        Markup(' data-entry="{}"').format(done.entry) if done else "",
        tick if chore.done_kind else Markup('<i class="no-tick"></i>') if may_write else "",
        mark(_SHAPES[chore.urgency], "low") or Markup('<s class="mark"></s>'),
        where,
        _task(chore),
        _undo(done) if may_write and chore.done_kind else Markup(""),
        chore.why,
    )


def _task(chore: Chore) -> object:
    """What to do; a link where it takes more than an entry."""
    words = _words(chore)
    lead = _LEADS.get(chore.task, "").format(probe=quote(chore.probe))
    return Markup('<a href="{}">{}</a>').format(lead, words) if lead else words


def _words(chore: Chore) -> str:
    return text.TASKS.get(chore.task, chore.task.replace("_", " "))


def _tick(chore: Chore, now: NestNow | None, done: Done | None) -> Markup:
    """A box to tick, and where the entry takes an amount a field for it."""
    body = {"nest": chore.nest, "kind": chore.done_kind, **_note(chore)}
    return Markup(
        '<form class="tick" data-body="{}"><button role="checkbox" aria-checked="{}" aria-label="{}"></button>{}</form>'
    ).format(
        json.dumps(body, ensure_ascii=False),
        "true" if done else "false",
        text_access.DONE.format(task=_words(chore), nest=chore.nest),
        _amount(chore, now),
    )


def _note(chore: Chore) -> Mapping[str, str]:
    """A note says what it was that was done."""
    return {"note": f"{_words(chore)}: {chore.why}"[:500]} if chore.done_kind == EntryKind.NOTE else {}


def _amount(chore: Chore, now: NestNow | None) -> Markup:
    """The number that goes with the entry; for a top-up what fills the reservoir, blank where nobody measured."""
    rule = AMOUNTS.get(EntryKind(chore.done_kind)) if chore.done_kind in set(EntryKind) else None
    if rule is None:
        return Markup("")
    given = _missing_ml(now) if chore.done_kind == EntryKind.TOP_UP else ""
    return Markup(
        '<label class="amount"><input name="amount" type="number" inputmode="decimal" min="0" max="{:.0f}" step="{}"'
        ' value="{}"{} aria-label="{}"> {}</label>'
    ).format(
        rule.high, "1" if rule.whole else "any", given, Markup(" required") if rule.required else "",
        f"{rule.meaning}, {chore.nest}", rule.unit,
    )  # fmt: skip


def _missing_ml(now: NestNow | None) -> str:
    """What would fill the reservoir, in whole millilitres or tenths below three; blank where nobody knows."""
    if now is None or now.water is None or now.water.left_ml is None or not now.nest.reservoir_ml:
        return ""
    missing_ml = now.nest.reservoir_ml - now.water.left_ml
    return "" if missing_ml <= 0 else f"{missing_ml:.0f}" if missing_ml >= 3 else f"{missing_ml:.1f}"


def _undo(done: Done | None) -> Markup:
    by = text_access.DONE_BY.format(name=done.by) if done and done.by else ""
    return Markup('<em class="undo"{}><button type="button" class="act">{}</button> <small>{}</small></em>').format(
        "" if done else Markup(" hidden"), text_access.UNDO, by
    )
