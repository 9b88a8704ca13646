"""The tables of a review: what was weighed, what went beyond limits, who reacted, what was done and what is missing. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import tzinfo

from sensord.clock import HOUR_MS, from_ms
from sensord.insight.contrast import WORDS, span
from sensord.insight.exposures import Exposure, Factor
from sensord.insight.figures import table
from sensord.insight.harm import Measure
from sensord.insight.review import Review
from sensord.insight.review_words import by_cotton
from sensord.insight.timeline import AlarmSeen, Timeline
from sensord.model import Entry, Season

Day = Callable[[int], str]
_LITTLE = 0.01
SEASONS = {
    Season.ACTIVE: "active", Season.WIND_DOWN: "wind-down", Season.WINTER_REST: "winter rest", Season.WAKE_UP: "wake-up",
}  # fmt: skip
_UNITS = {Factor.DRY: "%", Factor.WET: "%", Factor.RESERVOIR_EMPTY: "mL", Factor.SWING: "°C in 12 h"}
_ALARM_UNITS = {
    "dry": "%",
    "wet": "%",
    "hot": "°C",
    "cold": "°C",
    "swing": "°C in an hour",
    "silent": "h",
    "reservoir": "d",
}


def tables(review: Review, told: Timeline, day: Day) -> str:
    """All of them; headings at level 3."""
    places = [
        (str(one.place).replace("_", " ") if one.place else "", _factor(one), day(one.from_ms), day(one.until_ms),
         *_amounts(one))
        for one in review.exposures
    ]  # fmt: skip
    silent = [
        (str(one.place).replace("_", " "), "no reading", day(gap[0]), day(gap[1]))
        for one in told.tracks
        for gap in one.missing()
    ]
    silent += [
        (str(one.place).replace("_", " "), f"left out: {out.why}", day(out.from_ms), day(out.until_ms))
        for one in told.tracks for out in one.left_out
    ]  # fmt: skip
    return "".join((
        _part("Causes weighed", ("cause", "support, 0 to 1", "because"),
              [(one.cause.replace("_", " "), f"{one.support:.2f}", one.because) for one in review.findings]),
        _part("Held against siblings that lived",
              ("place", "what", "dose that can harm, 0 to 1", "had as much", "effect, -1 to 1", "by chance", "apart from their middle"),
              [_held(one) for one in review.measures if one.harm > _LITTLE]),
        _part("Beyond the limits", ("place", "what", "from", "to", "hours", "worst", "limit", "dose", "of 100 siblings that lived had less"),
              places),
        _part("Alarms, and who reacted", ("raised", "what", "worst", "returned", "acknowledged", "next entry in the journal"),
              [_alarm(one, day) for one in told.alarms])
        or "<h3>Alarms, and who reacted</h3><p>No alarm about this nest was raised in these days.</p>",
        _part("Journal", ("when", "what", "note"), [_entry(one, day) for one in told.entries])
        or "<h3>Journal</h3><p>Nothing was written about this nest in these days.</p>",
        _part("Gaps and probe faults", ("place", "what", "from", "to"), silent),
        _part("Seasons", ("from", "to", "season"),
              [(day(a), day(b), SEASONS[season]) for a, b, season in told.seasons]),
    ))  # fmt: skip


def _part(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    return f"<h3>{title}</h3>{table(heads, rows)}" if rows else ""


def _factor(one: Exposure) -> str:
    return str(one.factor).replace("_", " ") if one.factor is Factor.RESERVOIR_EMPTY else f"too {one.factor}" if (
        one.factor is not Factor.SWING
    ) else "swing"  # fmt: skip


def _amounts(one: Exposure) -> tuple[str, ...]:
    unit = _UNITS.get(one.factor, "°C")
    dose = "" if one.dose is None else f"{one.dose:.0f} kPa h"
    rank = "" if one.sibling_percentile is None else f"{one.sibling_percentile:.0f}"
    return f"{one.hours:.0f}", f"{one.worst:.1f} {unit}", f"{one.limit:.1f} {unit}{by_cotton(one)}", dose, rank


def _held(one: Measure) -> tuple[str, ...]:
    """Dose and difference of one factor: Cliff's delta, and the exact chance of ranking so among the siblings."""
    unit = "% points" if one.factor is Factor.DRY else "°C apart"
    apart = "" if one.median_apart is None else f"{one.median_apart:+.1f} {unit}"
    alike = f"{one.alike} of {one.compared}" if one.compared else "nobody to compare with"
    effect, chance = ("" if value is None else f"{value:.2g}" for value in (one.effect, one.p))
    return str(one.place).replace("_", " "), WORDS[one.factor], f"{one.harm:.2f}", alike, effect, chance, apart


def _alarm(one: AlarmSeen, day: Day) -> tuple[str, ...]:
    if one.acknowledged_ms is None:
        seen = "nobody did"
    else:
        by = f" by {one.acknowledged_by}" if one.acknowledged_by else ""
        seen = f"{day(one.acknowledged_ms)}{by}, {span((one.acknowledged_ms - one.raised_ms) / HOUR_MS)} later"
    following = "none"
    if one.next_entry is not None:
        after = span((one.next_entry.at_ms - one.raised_ms) / HOUR_MS)
        following = f"{_kind(one.next_entry)}, {after} later"
    place = f" at the {one.place.replace('_', ' ')}" if one.place else ""
    returned = "it still stood" if one.returned_ms is None else day(one.returned_ms)
    what = f"{one.kind}{place}, {one.priority}"
    values = [f"{value / 3_600:.1f}" if one.kind == "silent" else f"{value:.1f}" for value in (one.worst, one.limit)]
    unit = _ALARM_UNITS.get(one.kind, "")
    return day(one.raised_ms), what, f"{values[0]} {unit} (limit {values[1]})", returned, seen, following


def _entry(one: Entry, day: Day) -> tuple[str, str, str]:
    return day(one.at_ms), _kind(one), " ".join(part for part in (one.note, f"({one.by})" if one.by else "") if part)


def _kind(one: Entry) -> str:
    amount = "" if one.amount is None else f" {one.amount:g} {one.unit}".rstrip()
    return str(one.kind).replace("_", " ") + amount


def day_of(zone: tzinfo) -> Day:
    """Instants as the room's clock says them."""
    return lambda at_ms: f"{from_ms(at_ms).astimezone(zone):%-d %b %Y %H:%M}"
