"""``/review``: one nest before a death, against its siblings. A form that only asks; nothing is written."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from urllib.parse import quote
from zoneinfo import ZoneInfo

from flask import Flask, request
from markupsafe import Markup

from dashboard import text
from dashboard.pages.alarms import table
from dashboard.pages.wall import failed
from dashboard.shell import page
from dashboard.snapshot import Exposed, ReviewNow, Source
from dashboard.units import CELSIUS, in_words, of_kind
from dashboard.viewmodels import local
from sensord.clock import to_ms
from sensord.errors import InputError, NestclimateError

DAYS, MOST_DAYS = "30", 365
_HEADS = ("what", "from", "to", "hours", "worst", "limit", "siblings that had less")


def register(server: Flask, source: Source) -> None:
    """Add the page."""

    @server.get("/review")
    def review() -> str:
        asked = {name: request.args.get(name, "")[:40].strip() for name in ("nest", "day", "days")}
        try:
            body = _answer(source, asked)
        except InputError as error:
            body = Markup('<p role="alert">{}</p>').format(" ".join(error.problems) or str(error))
        except NestclimateError as error:
            body = Markup("<p>{}</p>").format(failed(error))
        return page("Review", Markup("<main><h1>Review</h1>{}{}</main>").format(_form(asked), body), here="/review")


def _form(asked: dict[str, str]) -> Markup:
    return Markup(
        '<p>{ask}</p><form method="get" action="/review" class="ask"><label>Nest <input name="nest" required maxlength="32" value="{nest}"></label>'
        '<label>Up to <input name="day" type="date" value="{day}"></label>'
        '<label>Days <input name="days" type="number" min="1" max="365" value="{days}"></label><button>Look</button></form>'
    ).format(ask=text.REVIEW_ASK, nest=asked["nest"], day=asked["day"], days=asked["days"] or DAYS)


def _answer(source: Source, asked: dict[str, str]) -> Markup:
    """The review that was asked for; nothing where no nest is named."""
    if not asked["nest"]:
        return Markup("")
    snapshot = source.snapshot()
    at_ms = min(snapshot.at_ms, _end_of_day(asked["day"], snapshot.time_zone) or snapshot.at_ms)
    found = source.review(asked["nest"], at_ms, _days(asked["days"]))
    return review_html(found, snapshot.time_zone, snapshot.temperature_unit)


def _end_of_day(day: str, zone: str) -> int | None:
    """The last instant of a day of the room; None where none is named."""
    if not day:
        return None
    try:
        following = date.fromisoformat(day) + timedelta(days=1)
        return to_ms(datetime.combine(following, time(), ZoneInfo(zone))) - 1
    except (ValueError, OverflowError) as error:
        raise InputError(text.REVIEW_BAD_DAY.format(day=day)) from error


def _days(days: str) -> float:
    given = days or DAYS
    if not given.isascii() or not given.isdecimal() or not 1 <= int(given) <= MOST_DAYS:
        raise InputError(text.REVIEW_BAD_DAYS.format(days=given))
    return float(given)


def review_html(review: ReviewNow, zone: str, unit: str = CELSIUS) -> Markup:
    """Verdict first, then what to check, then the evidence."""
    when = (
        text.DIED.format(at=_at(review.died_ms, zone)) if review.died_ms else text.REVIEW_NONE.format(nest=review.nest)
    )
    head = Markup(
        '<h2><a href="/nest/{}">{}</a>: {}</h2><p class="large">{}</p><p>{}</p><p class="soft">{} {} to {}, {:.0%} of the hours measured;'
        " {} compared, {} of them died. {}</p>"
    ).format(
        quote(review.nest), review.nest, text.CAUSES.get(review.cause, review.cause), in_words(review.because, unit), review.check_next,
        when, _at(review.from_ms, zone), _at(review.until_ms, zone), review.coverage,
        text.count_of(review.siblings, "sibling", "siblings"), review.siblings_died, text.REVIEW_SAYS,
    )  # fmt: skip
    return head + _findings(review, unit) + _exposures(review.exposures, zone, unit)


def _findings(review: ReviewNow, unit: str) -> Markup:
    if not review.findings:
        return Markup("")
    rows: list[list[object]] = [
        [text.CAUSES.get(cause, cause), f"{support:.2f}", in_words(because, unit)]
        for cause, support, because in review.findings
    ]
    return Markup("<h3>What speaks for what</h3>{}").format(table(("", "support, 0 to 1", "because"), rows))


def _exposures(exposures: tuple[Exposed, ...], zone: str, unit: str) -> Markup:
    if not exposures:
        return Markup("")
    return Markup("<h3>Beyond the limits</h3>{}").format(
        table(_HEADS, [_exposed(one, zone, unit) for one in exposures])
    )


def _exposed(one: Exposed, zone: str, unit: str) -> list[object]:
    less = "" if one.percentile is None else f"{one.percentile:.0f} %"
    values = [of_kind(one.factor, value, unit) for value in (one.worst, one.limit)]
    what = text.FACTORS.get(one.factor, one.factor)
    return [what, _at(one.from_ms, zone), _at(one.until_ms, zone), f"{one.hours:.0f}", *values, less]


def _at(at_ms: int, zone: str) -> str:
    return local(at_ms, zone, "%-d %b %Y %H:%M")
