"""Cards, shelves and the list of needs as markup. Every value is escaped by markupsafe's format."""

from __future__ import annotations

from urllib.parse import quote

from markupsafe import Markup

from dashboard import text
from dashboard.components.drawing import arrow, housing, mark
from dashboard.viewmodels import Card, Need, Rack, Wall

NEEDS_SHOWN = 3


def card_html(card: Card) -> Markup:
    """One nest. ``data-nest`` and ``data-state`` are contract."""
    return Markup(
        '<a class="card{bare}" href="/nest/{href}" data-nest="{name}" data-state="{state}" aria-label="{label}">'
        '{mark}<span class="who"><b>{name}</b>{species}</span><span class="days">{days}</span>'
        '<span class="nums"><span class="num">{rh}</span>{rh_trend}<span class="num">{temp}</span>{temp_trend}</span>'
        "{note}{drawing}</a>"
    ).format(
        bare=" bare" if card.bare else "",
        href=quote(card.name),
        name=card.name,
        state=card.state,
        label=_label(card),
        mark=mark(card.state, card.side) if not card.bare or card.state == "act" else "",
        species=Markup(" <i>{}</i>").format(card.species) if card.reason and not card.bare else "",
        days=card.days,
        rh=card.rh,
        rh_trend=arrow(card.rh_trend),
        temp=card.temp,
        temp_trend=arrow(card.temp_trend),
        note=_note(card),
        drawing=housing(card.kind, card.water),
    )


def _note(card: Card) -> Markup:
    """On the drawing: what is wrong with the nest, else who lives in it."""
    words = " ".join(part for part in (card.reason, card.age) if part)
    if card.bare and card.state == "blind":
        words = card.species or words
    if words:
        return Markup('<em class="note">{}</em>').format(words)
    return Markup('<em class="kin">{}</em>').format(card.species)


def _label(card: Card) -> str:
    """What a screen reader says of the card."""
    parts = [card.name, card.species, text.STATES[card.state], card.reason, card.rh, card.temp, card.days, card.age]
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
    shown = Markup("").join(need_html(need) for need in wall.needs[:NEEDS_SHOWN])
    return Markup('<ul class="needs">{}</ul>{}{}').format(
        shown, _more(len(wall.needs) - NEEDS_SHOWN, "loose"), _more(len(wall.needs) - NEEDS_SHOWN + 1, "close")
    )


def _more(number: int, kind: str) -> Markup:
    """How many lines are left out: of three shown, or of two where the shelves need the room."""
    if number < 1:
        return Markup("")
    return Markup('<p class="more {}"><a href="/alarms">{}</a></p>').format(kind, text.MORE.format(count=number))


def notices_html(notices: tuple[str, ...]) -> Markup:
    """Full-width words over everything: the wall as a whole is not to be trusted."""
    return Markup("").join(Markup("<p>{}</p>").format(line) for line in notices)


def rack_html(rack: Rack) -> Markup:
    """One shelf with its nests."""
    return Markup('<section class="rack"><h2>{}</h2><div class="shelf">{}</div></section>').format(
        rack.title, Markup("").join(card_html(card) for card in rack.cards)
    )
