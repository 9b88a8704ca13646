"""The head of the nest page: its name, and the one-tap entries for a phone held to the tube. Labels lead to ``#entries``."""

from __future__ import annotations

import json
from urllib.parse import quote

from markupsafe import Markup

from dashboard import text_nest
from dashboard.access import signed_in
from dashboard.components.drawing import SYMBOLS, housing
from dashboard.components.level import level_html
from dashboard.components.service import part_html
from dashboard.pages.nest_journal import PUT_BACK_PATH, WITHDRAW_PATH, dialog_html
from dashboard.shell import failed
from dashboard.snapshot import NestNow, Snapshot, Source
from sensord.errors import NestclimateError
from sensord.model import NestKind

_PATH = "/write/entries"
_FEWEST, _MOST = {"count": "1"}, {"count": "100000000"}


def head_html(source: Source, name: str) -> Markup:
    """Name, where it stands, and what can be written about it."""
    try:
        now = source.nest(name) if name else None
        service = _service(now, source.snapshot()) if now else Markup("")
    except NestclimateError as error:
        return Markup('<header class="nest-head"><h1>{}</h1><p>{}</p></header>').format(name, failed(error))
    if now is None:
        return Markup("")
    where = " · ".join(part for part in (now.nest.room, now.nest.rack, str(now.nest.kind)) if part)
    head = Markup('{}<header class="nest-head"><h1>{}</h1><p class="soft">{}</p></header>').format(SYMBOLS, name, where)
    return head + entries_html(now, signed_in(), service)


def _service(now: NestNow, snapshot: Snapshot) -> Markup:
    """Out of service, or the way there; a nest whose colony died has no alarms to be told."""
    taken = snapshot.taken(now.nest.name, now.placement.probe if now.placement else None)
    if now.died_ms is not None and taken is None:
        return Markup("")
    return part_html(taken, f"nest {now.nest.name}", snapshot, may_write=signed_in() is not None)


def entries_html(now: NestNow, user: str | None, service: Markup) -> Markup:
    """The entries for who is signed in; for visitors the water as it is thought to be, and the way in."""
    name = now.nest.name
    if user is None:
        there = quote(f"/nest/{quote(name)}", safe="/") + "%23entries"
        inner = Markup('{}<p><a class="act" href="/sign-in?next={}">{}</a></p>').format(
            _drawn(now), there, text_nest.SIGN_IN_TO_WRITE
        )
    else:
        alive = now.died_ms is None
        inner = (_level(now) + _amounts(now) + _taps(name) if alive else Markup("")) + _note(name)
        inner += _died(name) if alive else Markup("")
    said = Markup(
        '<div id="said" role="status" data-user="{}" data-undo="{}" data-withdraw="{}" data-put-back="{}" data-form="{}"'
        ' data-undone="{}" data-withdrawn="{}" data-back="{}"></div>'
    ).format(
        user or "", text_nest.UNDO, WITHDRAW_PATH, PUT_BACK_PATH, text_nest.SAID, text_nest.TAKEN_BACK,
        text_nest.WITHDRAWN_SAID, text_nest.PUT_BACK_SAID,
    )  # fmt: skip
    asked = dialog_html() if user else Markup("")
    return Markup('<aside id="entries" aria-label="{}">{}{}{}</aside>{}').format(
        text_nest.ENTRIES, said, inner, service, asked
    )


def _drawn(now: NestNow) -> Markup:
    """The nest as on the wall; nothing where its water is not known."""
    full, water = now.nest.reservoir_ml, now.water
    if not full or water is None or water.left_ml is None:
        return Markup("")
    words = text_nest.LEVEL_SAYS.format(ml=f"{water.left_ml:.1f}")
    share = min(1.0, max(0.0, water.left_ml / full))
    return Markup('<div class="level">{}<p>{}</p></div>').format(housing(now.nest.kind.value, share), words)


def _level(now: NestNow) -> Markup:
    """The column to drag; a plain field where there is none to see, or nobody said how much it holds."""
    full = now.nest.reservoir_ml
    if now.nest.kind is NestKind.TUBE and full:
        return level_html(now.nest.name, full, now.water.left_ml if now.water else None)
    return _amount(now.nest.name, "level", "", required=True)


def _amounts(now: NestNow) -> Markup:
    full = now.nest.reservoir_ml
    return Markup('<div class="amounts">{}{}{}</div>').format(
        _amount(now.nest.name, "fill", f"{full:g}" if full else ""),
        _amount(now.nest.name, "top_up", ""),
        _amount(now.nest.name, "count", "", required=True),
    )


def _amount(name: str, kind: str, value: str, *, required: bool = False) -> Markup:
    """A button with its number beside it, sent together."""
    words, before, unit = text_nest.AMOUNT_KINDS[kind]
    return Markup(
        '<form class="amount" data-write="{path}" data-body="{body}"><button>{words}</button>'
        '<label>{before} <input name="amount" type="number" inputmode="decimal" min="0" step="{step}" value="{value}"{required}> {unit}</label></form>'
    ).format(
        path=_PATH,
        body=_body(name, kind),
        words=words,
        before=before,
        step="1" if kind == "count" else "any",
        value=value,
        required=Markup(" required") if required else "",
        unit=unit,
    )


def _taps(name: str) -> Markup:
    """Buttons that need nothing else."""
    taps = (
        Markup('<button type="button" data-write="{}" data-body="{}">{}</button>').format(
            _PATH, _body(name, kind), words
        )
        for kind, words in text_nest.TAPS.items()
    )
    return Markup('<div class="taps">{}</div>').format(Markup("").join(taps))


def _note(name: str) -> Markup:
    return Markup(
        '<form class="note-line" data-write="{}" data-body="{}"><label>{} <input name="note" required maxlength="500"></label><button>{}</button></form>'
    ).format(_PATH, _body(name, "note"), text_nest.NOTE, text_nest.NOTE_BUTTON)


def _died(name: str) -> Markup:
    """Asked twice: the first tap only opens the question."""
    return Markup(
        '<details class="died"><summary>{}</summary><p>{}</p><button type="button" data-write="{}" data-body="{}">{}</button></details>'
    ).format(text_nest.DIED, text_nest.DIED_ASK.format(nest=name), _PATH, _body(name, "died"), text_nest.DIED_YES)


def _body(name: str, kind: str) -> str:
    return json.dumps({"nest": name, "kind": kind}, separators=(",", ":"))
