"""Plain tables as markup."""

from __future__ import annotations

from markupsafe import Markup

WIDE_FROM = 5
"""A table of so many columns has no room on a phone."""


def table(heads: tuple[str, ...], rows: list[list[object]]) -> Markup:
    """A plain table; on a phone it scrolls sideways, or where it is wide each row becomes a block of named values."""
    wide = len(heads) >= WIDE_FROM
    kind, names = (Markup(' class="stack"'), ("", *heads[1:])) if wide else (Markup(""), ("",) * len(heads))
    head = Markup("").join(Markup('<th scope="col">{}</th>').format(word) for word in heads)
    lines = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(_cell(*pair) for pair in zip(names, row, strict=True)))
        for row in rows
    )
    return Markup(
        '<div class="scroll" tabindex="0"><table{}><thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>'
    ).format(kind, head, lines)


def _cell(name: str, cell: object) -> Markup:
    if not name:
        return Markup("<td>{}</td>").format(cell)
    return Markup('<td data-head="{}">{}</td>').format(name, cell)
