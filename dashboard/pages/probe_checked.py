"""Of one probe: its calibrations, when it was checked by hand, exactly how either is done, and the form that notes a check."""

from __future__ import annotations

import json
from collections.abc import Sequence

from markupsafe import Markup

from dashboard import text_keeping as words
from dashboard.components.tables import table
from dashboard.keeping_snapshot import ProbePast
from dashboard.snapshot import Snapshot
from dashboard.viewmodels import local
from sensord.air.calibration import SALT_CAUTIONS

PATH, WITHDRAW_PATH = "/write/probes/checked", "/write/probes/checked/withdraw"


def checked_html(past: ProbePast, snapshot: Snapshot, others: Sequence[str], *, may_write: bool) -> Markup:
    """The round's line leads here. ``others``: probes it could lie beside."""
    parts = [
        Markup('<h2 id="checked">{}</h2>').format(words.CHECKED_TITLE),
        _table(past, snapshot, may_write=may_write),
        _form(past.name, snapshot) if may_write else Markup(""),
        _how(past.name, next(iter(others), "PROBE")),
    ]
    return Markup("").join(parts)


def _table(past: ProbePast, snapshot: Snapshot, *, may_write: bool) -> Markup:
    rows: list[tuple[int, list[object]]] = [(at_ms, [method, says, ""]) for at_ms, method, says in past.calibrations]
    rows += [
        (one.at_ms, [words.BY_HAND, words.CHECK_SAYS.format(note=one.note, by=one.by).strip(", "), _withdraw(one.id)])
        for one in past.checks
    ]
    if not rows:
        return Markup("<p>{}</p>").format(words.NEVER_CHECKED)
    rows.sort(key=lambda row: -row[0])
    told = [[local(at_ms, snapshot.time_zone, "%-d %b %Y %H:%M"), *cells] for at_ms, cells in rows]
    heads = (*words.CHECKED_HEADS, "") if may_write else words.CHECKED_HEADS
    return Markup('<div class="checked">{}</div>').format(table(heads, [row[: len(heads)] for row in told]))


def _withdraw(id_: int) -> Markup:
    return Markup(
        '<button type="button" class="quiet" data-write="{}" data-body="{}" data-then="reload">{}</button>'
    ).format(WITHDRAW_PATH, json.dumps({"id": id_}), words.WITHDRAW_CHECK)


def _form(name: str, snapshot: Snapshot) -> Markup:
    """On which day, and against what."""
    today = local(snapshot.at_ms, snapshot.time_zone, "%Y-%m-%d")
    return Markup(
        '<form class="ask" data-write="{}" data-body="{}" data-then="reload"><label>{} <input name="day" type="date" value="{}" max="{}" required></label>'
        '<label>{} <input name="note" maxlength="300" placeholder="{}"></label><button>{}</button></form><p class="soft">{}</p>'
    ).format(
        PATH, json.dumps({"probe": name}), words.CHECKED_ON, today, today, words.CHECKED_AGAINST, words.CHECKED_EXAMPLE,
        words.CHECKED_NOTE, words.CHECKED_MEANS,
    )  # fmt: skip


def _how(name: str, other: str) -> Markup:
    """Step by step, with the commands to type; salts with their cautions."""
    steps = Markup("").join(
        Markup("<li>{}{}</li>").format(
            told, Markup("<pre>{}</pre>").format(command.format(probe=name, other=other)) if command else ""
        )
        for told, command in words.CALIBRATE_STEPS
    )
    cautions = Markup("").join(Markup("<li>{}</li>").format(line) for line in SALT_CAUTIONS)
    return Markup("<h2>{}</h2><ol>{}</ol><p>{}</p><ul>{}</ul>").format(
        words.CALIBRATE_TITLE, steps, words.CALIBRATE_CAUTIONS, cautions
    )
