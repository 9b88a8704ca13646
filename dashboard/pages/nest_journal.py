"""What was written about a nest: the last lines of its journal, each with a quiet way to withdraw it, and its history."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from dash import html
from markupsafe import Markup

from dashboard import text_nest
from dashboard.nest_snapshot import Journal, PastLine, Written
from dashboard.pages.nest_now import table
from dashboard.viewmodels import local
from sensord.clock import DAY_MS

FIRST, MORE = 12, 60
"""So many lines at first, and so many more with each wish."""
SHORT_MS = 180 * DAY_MS
"""Within that nobody takes a day without its year for another."""
WITHDRAW_PATH, PUT_BACK_PATH = "/write/entries/withdraw", "/write/entries/put-back"


def most_lines(wishes: int | None) -> int:
    """How many lines to read."""
    return FIRST + MORE * max(0, wishes or 0)


def journal(found: Journal, now_ms: int, zone: str, *, may_write: bool) -> list[Any]:
    """The last lines, each with when it is for and who wrote it; what was withdrawn is for those who may put it back."""
    lines = [line for line in found.lines if may_write or line.withdrawn_ms is None]
    head = html.H2(text_nest.JOURNAL)
    if not lines:
        return [head, html.P(text_nest.JOURNAL_EMPTY, className="soft")]
    heads = [html.Th(word, scope="col") for word in text_nest.JOURNAL_HEADS] + [html.Td()] * may_write
    rows = [_row(line, now_ms, zone, may_write=may_write) for line in lines]
    drawn = html.Table([html.Thead(html.Tr(heads)), html.Tbody(rows)])
    return [head, html.Div(drawn, className="scroll entries", tabIndex=0)]


def past(lines: Sequence[PastLine], now_ms: int, zone: str) -> list[Any]:
    """How the nest stood since when, and who wrote that down."""
    rows = [
        (
            text_nest.PAST_ALWAYS if line.from_ms is None else _when(line.from_ms, now_ms, zone),
            line.words,
            line.by or text_nest.BY_NOBODY,
            "" if line.written_ms is None else _when(line.written_ms, now_ms, zone),
        )
        for line in lines
    ]
    return [html.H2(text_nest.PAST), table(text_nest.PAST_HEADS, rows)] if rows else []


def _when(at_ms: int, now_ms: int, zone: str) -> str:
    return local(at_ms, zone, "%-d %b %H:%M" if abs(now_ms - at_ms) < SHORT_MS else "%-d %b %Y %H:%M")


def _row(line: Written, now_ms: int, zone: str, *, may_write: bool) -> html.Tr:
    at = _when(line.at_ms, now_ms, zone)
    by = line.by or text_nest.BY_NOBODY
    if line.withdrawn_ms is None:
        cells = [at, line.words, by, *([_withdraw(line, f"{line.words}, {at}, {by}")] if may_write else [])]
        return html.Tr([html.Td(cell) for cell in cells])
    gone = text_nest.WITHDRAWN.format(
        at=local(line.withdrawn_ms, zone, "%-d %b %H:%M"), by=line.withdrawn_by or text_nest.BY_NOBODY
    )
    said = [html.Del(line.words), " ", html.Small(gone, className="soft")]
    return html.Tr([html.Td(cell) for cell in (html.Del(at), said, html.Del(by), _put_back(line))])


def _withdraw(line: Written, words: str) -> html.Button:
    return html.Button(
        text_nest.WITHDRAW, type="button", className="quiet",
        **{"data-of": line.id, "data-entry": line.id, "data-words": words, "data-kind": line.kind,
           "aria-label": text_nest.WITHDRAW_NAME.format(text=words)},
    )  # fmt: skip


def _put_back(line: Written) -> html.Button:
    return html.Button(
        text_nest.PUT_BACK, type="button", className="quiet",
        **{"data-of": line.id, "data-write": PUT_BACK_PATH, "data-body": json.dumps({"id": line.id}),
           "aria-label": text_nest.PUT_BACK_NAME.format(text=line.words)},
    )  # fmt: skip


def dialog_html() -> Markup:
    """Asks once. It names the entry itself, for the list may grow while somebody reads."""
    return Markup(
        '<dialog id="withdraw" aria-labelledby="withdraw-ask" aria-describedby="withdraw-what" data-kind=""><p id="withdraw-ask">{}</p>'
        '<p id="withdraw-what" class="large"></p><p class="soft">{}</p><div class="actions"><button type="button" class="act" id="withdraw-yes">{}</button>'
        '<button type="button" class="act" id="withdraw-no">{}</button></div></dialog>'
    ).format(text_nest.WITHDRAW_ASK, text_nest.WITHDRAW_MEANS, text_nest.WITHDRAW_YES, text_nest.WITHDRAW_NO)
