"""Cards, shelves and the list of needs as markup. Every value is escaped by markupsafe's format."""

from __future__ import annotations

from functools import lru_cache
from urllib.parse import quote

from markupsafe import Markup

from dashboard import text
from dashboard.components.drawing import arrow, housing, mark
from dashboard.viewmodels import Card, short_species
from dashboard.wall_model import Need, Rack, Wall

PER_CENT = Markup("<small>%</small>")
NEEDS_SHOWN = 3
"""At most; the script shows fewer where the shelves need the room."""
USUAL_SIGNS, USUAL_WORDS = len("70%24.5°"), len("a bit warm") + len("M. barbarus")
"""Where both numbers, or both words, take more than that, they are set closer."""


@lru_cache(maxsize=4_096)
def card_html(card: Card) -> Markup:
    """One nest; kept, since most cards are the same at the next refresh. ``data-nest`` and ``data-state`` are contract."""
    return Markup(
        '<a class="card%s%s" href="/nest/%s" data-nest="%s" data-state="%s" title="%s" aria-label="%s">'
        '%s<b class="who">%s</b><span class="days">%s</span><span class="nums%s">%s%s%s%s</span>%s%s</a>'
    ) % (
        " bare" if card.bare else "",
        " cut" if card.cut else "",
        quote(card.name),
        card.name,
        card.state,
        card.species,
        _label(card),
        mark(card.state, card.side) if not card.bare or card.state == "act" else "",
        card.name,
        card.days,
        " long" if len(card.rh + card.temp) > USUAL_SIGNS else "",
        _number(card.rh),
        arrow(card.rh_trend),
        _number(card.temp),
        arrow(card.temp_trend),
        housing(card.kind, card.water, card.water_call),
        _words(card),
    )


def _words(card: Card) -> Markup:
    """What is wrong with the nest, and who lives in it."""
    note = "" if card.bare and card.state == "blind" else " ".join(part for part in (card.reason, card.age) if part)
    note = text.OUT_OF_SERVICE if card.out else note
    kin = short_species(card.species)
    long = " long" if len(note + kin) > USUAL_WORDS else ""
    return Markup('<span class="words%s"><em class="note">%s</em><i class="kin">%s</i></span>') % (long, note, kin)


@lru_cache(maxsize=4_096)
def _number(written: str) -> Markup:
    """A number, its per cent sign in smaller letters."""
    digits = written.rstrip("%")
    return Markup('<span class="num">%s%s</span>') % (digits, PER_CENT if digits != written else "")


def _label(card: Card) -> str:
    """What a screen reader says of the card."""
    parts = [
        card.name,
        card.species,
        text.STATES[card.state],
        card.reason,
        text.OUT_OF_SERVICE * card.out,
        card.rh,
        card.temp,
        card.days,
        card.age,
    ]
    return ", ".join(part for part in parts if part)


def need_html(need: Need) -> Markup:
    """One line above the shelves."""
    return Markup('<li data-state="{}"><a href="{}">{}<b>{}</b> <span>{}</span> <i>{}</i></a></li>').format(
        need.state, need.href, mark(need.state, "low"), need.who, need.what, need.since
    )


def needs_html(wall: Wall) -> Markup:
    """The list of who needs somebody, or one calm line."""
    if not wall.needs:
        return Markup('<p class="calm">{}</p>').format(wall.calm)
    lines = Markup("").join(need_html(need) for need in wall.needs[:NEEDS_SHOWN])
    more = Markup("").join(_more(len(wall.needs), shown) for shown in range(1, NEEDS_SHOWN + 1))
    return Markup('<ul class="needs">{}</ul>{}').format(lines, more)


def _more(number: int, shown: int) -> Markup:
    """How many lines are left out where so many are shown."""
    if number <= shown:
        return Markup("")
    left = text.MORE.format(count=number - shown)
    return Markup('<p class="more of-{}"><a href="/alarms">{}</a></p>').format(shown, left)


def notices_html(notices: tuple[str, ...]) -> Markup:
    """Full-width words over everything: the wall as a whole is not to be trusted."""
    return Markup("").join(Markup("<p>{}</p>").format(line) for line in notices)


def rack_html(rack: Rack) -> Markup:
    """One shelf with its nests."""
    return Markup('<section class="rack"><h2>{}</h2><div class="shelf">{}</div></section>').format(
        rack.title, Markup("").join(card_html(card) for card in rack.cards)
    )
