"""``/losses``: how long colonies live, by rack, species, stage or room, and whether harsh air goes before deaths."""

from __future__ import annotations

from urllib.parse import urlencode

from flask import Flask, Response, request
from markupsafe import Markup

from dashboard import text_review as words
from dashboard.desk import PATIENCE_S
from dashboard.pages.review import Answers, Args, end_of_day, files, problem, progress_of, save, working
from dashboard.review_snapshot import LossesAsked
from dashboard.shell import page
from dashboard.snapshot import Source
from sensord.clock import DAY_MS
from sensord.errors import InputError, NestclimateError

BY = ("rack", "species", "stage", "room")


def register(server: Flask, source: Source, desk: Answers) -> None:
    """Add the page, what its script asks, and the files to save."""

    @server.get("/losses")
    def losses() -> str:
        try:
            body = _answer(source, desk, request.args)
        except NestclimateError as error:
            body = problem(error)
        main = Markup('<main class="losses"><h1>{}</h1><p>{}</p>{}{}</main>').format(
            words.LOSSES_TITLE, words.LOSSES_ASK, _form(request.args), body
        )
        return page(words.LOSSES_TITLE, main, here="/losses", scripts=("review.js",))

    @server.get("/losses/progress")
    def losses_progress() -> Response:
        return progress_of(lambda: desk.ask(asked(request.args, source.snapshot().time_zone)))

    @server.get("/losses/<any('report.html','data.csv'):file>")
    def losses_saved(file: str) -> Response:
        return save(lambda: desk.ask(asked(request.args, source.snapshot().time_zone)), file, "nestclimate")


def _answer(source: Source, desk: Answers, args: Args) -> Markup:
    if not source.reviews.choices():
        return Markup("<p>{}</p><pre>{}</pre>").format(words.LOSSES_EMPTY, words.NO_NESTS_COMMANDS)
    job = desk.ask(asked(args, source.snapshot().time_zone))
    query = urlencode([(name, value) for name in ("by", "from", "to") if (value := args.get(name, ""))])
    if not job.done(PATIENCE_S):
        return working(job, f"/losses/progress?{query}")
    pushed = Markup('<figure tabindex="0">')  # on a phone it is pushed sideways, by keys too
    return job.get().article.replace(Markup("<figure>"), pushed) + files("/losses", query)


def asked(args: Args, zone: str) -> LossesAsked:
    """What the address asks for.

    Raises:
        InputError: a day that cannot be, or an unknown group.
    """
    by = args.get("by", "") or BY[0]
    if by not in BY:
        raise InputError(f"{by[:20]}: allowed is {', '.join(BY)}.")
    first = end_of_day(args.get("from", "")[:20], zone)
    last = end_of_day(args.get("to", "")[:20], zone)
    return LossesAsked(by, None if first is None else first + 1 - DAY_MS, last)


def _form(args: Args) -> Markup:
    chosen = args.get("by", "") or BY[0]
    options = Markup("").join(
        Markup("<option{1}>{0}</option>").format(name, Markup(" selected") if name == chosen else "") for name in BY
    )
    return Markup(
        '<form method="get" action="/losses" class="ask"><label>{} <select name="by">{}</select></label>'
        '<label>{} <input name="from" type="date" value="{}"></label><label>{} <input name="to" type="date" value="{}"></label>'
        "<button>{}</button></form>"
    ).format(words.BY, options, words.FROM, args.get("from", ""), words.TO, args.get("to", ""), words.LOOK)
