"""``/review``: what the climate did before a death, of one nest, of several, or of two side by side. Nothing is written.

An answer that takes longer than a blink is computed beside the request; the page says what is being done and shows the
answer by itself once it is there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

from flask import Flask, Response, jsonify, request
from markupsafe import Markup
from werkzeug.datastructures import MultiDict

from dashboard import text_review as words
from dashboard.desk import PATIENCE_S, Desk, Job
from dashboard.review_snapshot import Choice, Question, ReviewAsked, Told
from dashboard.shell import failed, page
from dashboard.snapshot import Source
from dashboard.viewmodels import local
from sensord.clock import to_ms
from sensord.errors import InputError, NestclimateError

DAYS, MOST_DAYS = 30, 365
LONGEST_S = 60.0
_LENGTHS = (14, 30, 60, 90, 180, 365)
_FIELDS = ("nest", "day", "days", "beside", "beside_day")
Args = MultiDict[str, str]
Answers = Desk[Question, Told]


def register(server: Flask, source: Source, desk: Answers) -> None:
    """Add the page, what its script asks, and the files to save."""

    @server.get("/review")
    def review() -> str:
        try:
            body = _answer(source, desk, request.args)
        except NestclimateError as error:
            body = problem(error) + _chooser(source, request.args)
        main = Markup('<main class="review-page"><h1>{}</h1>{}</main>').format(words.TITLE, body)
        return page(words.TITLE, main, here="/review", scripts=("review.js",))

    @server.get("/review/progress")
    def progress() -> Response:
        return progress_of(lambda: desk.ask(asked(request.args, _zone(source))))

    @server.get("/review/<any('report.html','data.csv'):file>")
    def saved(file: str) -> Response:
        return save(lambda: desk.ask(asked(request.args, _zone(source))), file, "review")


def _zone(source: Source) -> str:
    return source.snapshot().time_zone


def _answer(source: Source, desk: Answers, args: Args) -> Markup:
    """The chooser; above it, where a nest was named, its review or what is being done for it."""
    if not any(args.getlist("nest")):
        return Markup("<p>{}</p>").format(words.ASK) + _chooser(source, args)
    question = asked(args, _zone(source))
    job = desk.ask(question)
    query = urlencode([(name, value) for name in _FIELDS for value in args.getlist(name) if value])
    if not job.done(PATIENCE_S):
        return working(job, f"/review/progress?{query}")
    told = job.get()
    beside = "" if question.beside or len(question.nests) > 1 else _beside(source, question, args)
    return Markup('{}{}{}<details class="again"><summary>{}</summary>{}</details>').format(
        files("/review", query, [*question.nests, question.beside] if question.beside else question.nests),
        told.article,
        beside,
        words.AGAIN,
        _chooser(source, args),
    )


def asked(args: Args, zone: str) -> ReviewAsked:
    """What the address asks for.

    Raises:
        InputError: a day or length that cannot be.
    """
    nests = tuple(dict.fromkeys(name[:40].strip() for name in args.getlist("nest") if name.strip()))
    beside_day = args.get("beside_day", "")[:20]
    beside = args.get("beside", "")[:40].strip() or (nests[0] if "beside" in args and nests else "")
    return ReviewAsked(
        nests, end_of_day(args.get("day", "")[:20], zone), _days(args.get("days", "")), beside,
        end_of_day(beside_day, zone),
    )  # fmt: skip


def end_of_day(day: str, zone: str) -> int | None:
    """The last instant of a day of the room; None where none is named.

    Raises:
        InputError: no such day.
    """
    if not day:
        return None
    try:
        following = date.fromisoformat(day) + timedelta(days=1)
        return to_ms(datetime.combine(following, time(), ZoneInfo(zone))) - 1
    except (ValueError, OverflowError) as error:
        raise InputError(words.BAD_DAY.format(day=day)) from error


def _days(days: str) -> int:
    given = days[:20] or str(DAYS)
    if not given.isascii() or not given.isdecimal() or not 1 <= int(given) <= MOST_DAYS:
        raise InputError(words.BAD_DAYS.format(days=given))
    return int(given)


# -- an answer in the making, or made


def problem(error: NestclimateError) -> Markup:
    """What was wrong, as words on the page."""
    if isinstance(error, InputError):
        return Markup('<p role="alert" class="large">{}</p>').format(" ".join(error.problems) or str(error))
    return Markup("<p>{}</p>").format(failed(error))


def working(job: Job[Told], address: str) -> Markup:
    """What is being done meanwhile; the script asks there how far it is, and shows the answer."""
    return Markup(
        '<section id="working" data-progress="{}" data-failed="{}"><p class="large" role="status">{}\N{HORIZONTAL ELLIPSIS}</p>'
        '<progress aria-label="{}"></progress><p class="soft">{}</p></section>'
    ).format(address, words.FAILED, job.words, words.WORKING, words.WORKING)


def progress_of(ask: Callable[[], Job[Told]]) -> Response:
    """How far the job is, for the script of the page."""
    try:
        job = ask()
    except NestclimateError:
        return jsonify(done=True, words="", seconds=0)
    return jsonify(done=job.done(), words=job.words, seconds=round(job.seconds))


def save(ask: Callable[[], Job[Told]], file: str, name: str) -> Response:
    """A file of an answer, to keep; computed first where it is not there."""
    try:
        job = ask()
        job.done(LONGEST_S)
        told = job.get()
    except NestclimateError as error:
        return Response("\n".join(error.problems) + "\n", status=400, mimetype="text/plain")
    kind, suffix, body = (
        ("text/html", "html", told.document) if file == "report.html" else ("text/csv", "csv", told.data)
    )
    shown = "".join(letter if letter.isalnum() and letter.isascii() else "-" for letter in told.name)[:60]
    answer = Response(body, content_type=f"{kind}; charset=utf-8")
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}-{shown}.{suffix}"'
    return answer


def files(path: str, query: str, nests: Sequence[str] = ()) -> Markup:
    """The two files to save, one tap each, and the way to the nests."""
    links = Markup("").join(
        Markup('<a class="button" href="/nest/{}">{}</a>').format(quote(nest), words.NEST_PAGE.format(nest=nest))
        for nest in nests[:2]
    )
    return Markup(
        '<p class="files"><a class="button" href="{0}/report.html?{1}">{2}</a><a class="button" href="{0}/data.csv?{1}">{3}</a>{4}</p>'
    ).format(path, query, words.SAVE, words.SAVE_DATA, links)


# -- choosing


def _chooser(source: Source, args: Args) -> Markup:
    """Every nest, those that died first, with a search; one tap reviews one, ticks review several together."""
    choices, zone = source.reviews.choices(), _zone(source)
    if not choices:
        return Markup("<p>{}</p><pre>{}</pre>").format(words.NO_NESTS, words.NO_NESTS_COMMANDS)
    dead = [one for one in choices if one.died_ms is not None]
    living = [one for one in choices if one.died_ms is None]
    ticked = set(args.getlist("nest"))
    shown = (
        _rows(dead, ticked, zone)
        if dead
        else Markup("<p>{} <code>{}</code></p>").format(words.NO_DEATHS, words.NO_DEATHS_COMMAND)
    )
    return Markup(
        '<form method="get" action="/review" class="choose"><p>{}</p><div class="ask"><label>{} <input type="search" id="search" autocomplete="off"></label>'
        '<label>{} <input name="day" type="date" value="{}"></label>{}</div>'
        "<h2>{}</h2>{}<p><button>{}</button></p>"
        "<details{}><summary>{} ({})</summary>{}<p><button>{}</button></p></details></form>"
    ).format(
        words.CHOOSE, words.SEARCH, words.UP_TO, args.get("day", ""), _lengths(args), words.DIED, shown, words.TOGETHER,
        "" if dead else Markup(" open"), words.LIVING, len(living), _rows(living, ticked, zone), words.LOOK,
    )  # fmt: skip


def _lengths(args: Args) -> Markup:
    given = args.get("days", "")
    chosen = int(given) if given.isascii() and given.isdecimal() and 1 <= int(given) <= MOST_DAYS else DAYS
    options = Markup("").join(
        Markup('<option value="{0}"{1}>{0}</option>').format(days, Markup(" selected") if days == chosen else "")
        for days in sorted({*_LENGTHS, chosen})
    )
    return Markup('<label>{} <select name="days">{}</select></label>').format(words.DAYS_BACK, options)


def _rows(choices: list[Choice], ticked: set[str], zone: str) -> Markup:
    rows = Markup("").join(_row(one, zone, ticked=one.nest in ticked) for one in choices)
    return Markup('<ul class="choices">{}</ul>').format(rows)


def _row(one: Choice, zone: str, *, ticked: bool) -> Markup:
    day = local(one.died_ms, zone, "%Y-%m-%d") if one.died_ms is not None else ""
    died = local(one.died_ms, zone, "%-d %b %Y") if one.died_ms is not None else ""
    query = urlencode([("nest", one.nest), *([("day", day)] if day else [])])
    about = " \N{MIDDLE DOT} ".join(part for part in (one.species, one.rack, f"died {died}" if died else "") if part)
    return Markup(
        '<li data-words="{}"><label><input type="checkbox" name="nest" value="{}"{}> <b>{}</b> <span>{}</span></label>'
        '<a href="/review?{}" aria-label="{} {}">{}</a></li>'
    ).format(
        f"{one.nest} {about}".casefold(), one.nest, Markup(" checked") if ticked else "", one.nest, about, query,
        words.REVIEW, one.nest, words.REVIEW,
    )  # fmt: skip


def _beside(source: Source, question: ReviewAsked, args: Args) -> Markup:
    """A second nest, or the same at another time, to hold beside this one."""
    nest = question.nests[0]
    options = Markup("").join(
        Markup("<option>{}</option>").format(one.nest) for one in source.reviews.choices() if one.nest != nest
    )
    return Markup(
        '<form method="get" action="/review" class="ask beside"><input type="hidden" name="nest" value="{}">'
        '<input type="hidden" name="day" value="{}"><input type="hidden" name="days" value="{}">'
        '<label>{} <select name="beside"><option value="">{}</option>{}</select></label>'
        '<label>{} <input name="beside_day" type="date"></label><button>{}</button><span class="soft">{}</span></form>'
    ).format(
        nest, args.get("day", ""), question.days, words.BESIDE_WHICH, words.SAME_NEST, options, words.BESIDE_DAY, words.BESIDE,
        words.BESIDE_HINT,
    )  # fmt: skip
