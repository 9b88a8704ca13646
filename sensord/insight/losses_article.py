"""Losses over a season as a piece of HTML: the answer, a small curve for every group, and tables. Pure."""

from __future__ import annotations

from datetime import tzinfo
from html import escape

import numpy as np

from sensord.insight.chances import p_is, p_of
from sensord.insight.figures import WIDTH, Frame, figure, label, svg, table
from sensord.insight.losses import SHARES, Group, Losses, because
from sensord.insight.review_tables import day_of
from sensord.insight.survival import Step

_ACROSS, _GAP, _HIGH, _TOP, _BELOW = 3, 26, 92, 20, 42
_MOST_PANELS = 24
SAYS = (
    "Days run from when a colony came, or from the first day asked about. A colony counts in the group it was in then. "
    "Losses that go together with a rack or with dry air are a reason to look there, not proof of a cause."
)


def article(found: Losses, zone: tzinfo) -> str:
    """All of it; headings from level 2."""
    day = day_of(zone)
    head = (
        f'<section class="review"><p class="verdict">{escape(because(found))}</p>'
        f'<p class="soft">{day(found.from_ms)[:-6]} to {day(found.until_ms)[:-6]}. {SAYS}</p>'
    )
    if not found.everybody.colonies:
        return head + "</section>"
    return head + _curves(found) + _groups(found) + _exposure(found) + "</section>"


def _curves(found: Losses) -> str:
    """One panel a group: its curve and interval, the curve of all behind it, and how many were still watched."""
    most = max((one.life.days for one in found.watched), default=1.0)
    shown = found.groups[:_MOST_PANELS]
    wide = (WIDTH - 34 - (_ACROSS - 1) * _GAP) / _ACROSS
    parts = []
    for number, one in enumerate(shown):
        left = 30 + number % _ACROSS * (wide + _GAP)
        top = _TOP + number // _ACROSS * (_HIGH + _TOP + _BELOW)
        frame = Frame(top, _HIGH, 0.0, most, 0.0, 1.0, left, left + wide)
        parts.append(_panel(frame, one, found, first=number % _ACROSS == 0))
    rows = -(-len(shown) // _ACROSS)
    words = f"Share of colonies that survive, by {found.by}, over {most:.0f} days"
    caption = (
        "Share surviving (Kaplan-Meier) by days watched: dark, the group, with its 95 % interval; thin, all colonies. "
        "Below each: how many were still watched."
    )
    if len(found.groups) > _MOST_PANELS:
        caption += f" The first {_MOST_PANELS} of {len(found.groups)} groups; the table has all."
    return figure(svg(parts, rows * (_HIGH + _TOP + _BELOW) + 4, words), caption)


def _panel(frame: Frame, one: Group, found: Losses, *, first: bool) -> str:
    name = one.name if len(one.name) <= 30 else one.name[:29] + "\N{HORIZONTAL ELLIPSIS}"
    parts = [label(frame.left, frame.top - 5, f"{name} ({one.died} of {one.colonies})", look="head")]
    for share in (0.0, 0.5, 1.0):
        parts.append(f'<path class="grid" d="M{frame.left:.1f} {frame.y(share):.1f}H{frame.right:.1f}"/>')
        if first:
            parts.append(label(frame.left - 4, frame.y(share) + 4, f"{share:.0%}".rstrip("%"), "end"))
    end = frame.until_x
    parts += [
        _interval(frame, one.steps, end), _staircase(frame, found.everybody.steps, end, "all"),
        _staircase(frame, one.steps, end, "own"),
    ]  # fmt: skip
    every = -(-len(found.days) // 3)
    for day, left in list(zip(found.days, one.at_risk, strict=True))[::every]:
        x = frame.x(day)
        if x > frame.right - 8:
            continue
        anchor = "start" if day == 0 else "middle"
        parts.append(label(x, frame.top + frame.height + 15, f"{day} d", anchor))
        parts.append(label(x, frame.top + frame.height + 32, str(left), anchor))
    return "".join(parts)


def _staircase(frame: Frame, steps: tuple[Step, ...], end: float, look: str) -> str:
    path = f"M{frame.x(0):.1f} {frame.y(1):.1f}"
    path += "".join(f"H{frame.x(step.days):.1f}V{frame.y(step.survival):.1f}" for step in steps)
    return f'<path class="{look}" d="{path}H{frame.x(end):.1f}"/>'


def _interval(frame: Frame, steps: tuple[Step, ...], end: float) -> str:
    edges = [*(step.days for step in steps), end]
    boxes = "".join(
        f"M{frame.x(step.days):.1f} {frame.y(step.high):.1f}H{frame.x(until):.1f}V{frame.y(step.low):.1f}H{frame.x(step.days):.1f}z"
        for step, until in zip(steps, edges[1:], strict=True)
        if np.isfinite([step.low, step.high]).all()
    )
    return f'<path class="kin" d="{boxes}"/>' if boxes else ""


def _groups(found: Losses) -> str:
    heads = (
        found.by,
        "colonies",
        "died",
        "survive to the end",
        "95 % interval",
        "half had died after",
        "p against the others",
        "p (Holm)",
    )
    rows = [_row(one) for one in (found.everybody, *found.groups)]
    between = found.between
    told = (
        ""
        if between is None
        else f'<p class="soft">Each group is held against all others together, death by death and exactly; Holm allows for '
        f"{len(found.groups)} looks. Log-rank over all groups at once: chi-square {between.chi2:.1f}, {between.degrees} degrees of "
        f"freedom, {p_is(between.p)}, which holds only where many died.</p>"
    )
    return f"<h2>By {found.by}</h2>{table(heads, rows)}{told}"


def _row(one: Group) -> tuple[str, ...]:
    share, low, high = one.survival
    median = "more than half live" if one.median_days is None else f"{one.median_days:.0f} days"
    chances = ("", "") if one.chance is None or one.chance_holm is None else (p_of(one.chance), p_of(one.chance_holm))
    interval = f"{low:.0%} to {high:.0%}" if one.died else ""
    return one.name, str(one.colonies), str(one.died), f"{share:.0%}", interval, median, *chances


def _exposure(found: Losses) -> str:
    title = "<h2>Losses against exposure</h2>"
    if not found.against:
        return title + (
            "<p>No death had a fortnight before it that was measured by half or more, so this cannot be told.</p>"
            if found.everybody.died
            else "<p>Nobody died.</p>"
        )
    heads = (
        "hours beyond limits in the fortnight before",
        *(f"{one}: died (expected)" for one in SHARES),
        "p of trend",
        "p (Holm)",
    )
    rows = [
        (f"too {one.factor}", *(f"{died} ({due:.1f})" for died, due in zip(one.deaths, one.expected, strict=True)),
         p_of(one.chance), p_of(one.chance_holm))
        for one in found.against
    ]  # fmt: skip
    return (
        f"{title}{table(heads, rows)}"
        f'<p class="soft">At every death all colonies that lived then are put into three by their hours beyond a limit in the '
        f"fortnight before; 'expected' is how many would have died in each, were it all the same. {found.measured} nests were "
        "measured. Summing hours over whole lives would make those that live long look worst.</p>"
    )
