"""A table to edit: the frame that ``assets/grid.js`` fills with rows. For a visitor it is read only."""

from __future__ import annotations

import json

from markupsafe import Markup

from dashboard import text_keeping as text
from dashboard.keeping_snapshot import Grid
from dashboard.shell import build_id

SCRIPTS = ("vendor/tabulator.min.js", "grid.js", "contact.js")
_WORDS = {
    "unchanged": text.UNCHANGED, "changed": text.CHANGED, "failed": text.GRID_FAILED, "meanwhile": text.MEANWHILE,
    "keeps": text.NEST_KEEPS_ITS_NAME,
}  # fmt: skip


def sheets(*names: str) -> Markup:
    """Style sheets that only some pages need."""
    return Markup("").join(
        Markup('<link rel="stylesheet" href="/assets/{}?{}">').format(name, build_id()) for name in names
    )


def grid_html(table: str, how: str, *, may_write: bool) -> Markup:
    """The grid of ``nests`` or ``placements``, with what is needed to change it where that is allowed."""
    return Markup(
        '{sheets}<section class="grid-part" data-grid="{table}" data-words="{words}" aria-label="{name}">{tools}'
        '<div class="grid"></div><ul class="grid-problems" hidden></ul>{how}</section>'
    ).format(
        sheets=sheets("vendor/tabulator.min.css", "grid.css", "keeping.css"),
        table=table,
        name=text.GRID_NAMES[table],
        words=json.dumps(_WORDS),
        tools=_tools(table) if may_write else "",
        how=Markup('<p class="soft">{} {}</p>').format(
            *(text.HOW_TO_EDIT, how) if may_write else (text.HOW_TO_READ, _sign_in(table))
        ),
    )


def _sign_in(table: str) -> Markup:
    here = "/colonies" if table == "nests" else "/placements"
    return Markup('<a href="/sign-in?next={}">{}</a> {}').format(here, text.SIGN_IN, text.SIGN_IN_TO_EDIT)


def _tools(table: str) -> Markup:
    choices = Markup("").join(
        Markup('<label><input type="radio" name="holds" value="{}"{}> {}</label>').format(
            value, "" if number else Markup(" checked"), words
        )
        for number, (value, words) in enumerate(text.HOLDS[table])
    )
    ends = Markup('<button type="button" data-do="ends">{}</button>').format(text.END_NOW)
    return Markup(
        '<form class="grid-tools"><fieldset><legend>{ask}</legend>{choices}</fieldset>'
        '<button type="button" data-do="add">{add}</button>{ends}<button type="button" data-do="undo">{undo}</button>'
        '<button type="submit" class="main">{save}</button><output class="grid-says" role="status"></output></form>'
    ).format(
        ask=text.HOLDS_ASK,
        choices=choices,
        add=text.ADD_ROW,
        ends=ends if table == "placements" else "",
        undo=text.TAKE_BACK,
        save=text.SAVE,
    )


def grid_json(grid: Grid) -> dict[str, object]:
    """What the script asks for."""
    return {
        "columns": list(grid.columns),
        "rows": [list(row) for row in grid.rows],
        "mark": grid.mark,
        "choices": {name: list(words) for name, words in grid.choices.items()},
        "hints": {name: list(words) for name, words in grid.hints.items()},
        "over": list(grid.over),
    }


def exports(*tables: str) -> Markup:
    """Links to take tables away."""
    links = (Markup('<a href="/export/{0}.csv" download>{0}.csv</a>').format(table) for table in tables)
    return Markup("{} {}").format(text.EXPORT, Markup(" ").join(links))
