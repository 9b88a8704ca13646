"""Plain tables as markup."""

from __future__ import annotations

from markupsafe import Markup


def table(heads: tuple[str, ...], rows: list[list[object]]) -> Markup:
    """A plain table that scrolls sideways on a phone."""
    head = Markup("").join(Markup('<th scope="col">{}</th>').format(word) for word in heads)
    lines = Markup("").join(
        Markup("<tr>{}</tr>").format(Markup("").join(Markup("<td>{}</td>").format(cell) for cell in row))
        for row in rows
    )
    return Markup(
        '<div class="scroll" tabindex="0"><table><thead><tr>{}</tr></thead><tbody>{}</tbody></table></div>'
    ).format(head, lines)
