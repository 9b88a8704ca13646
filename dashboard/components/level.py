"""The water column of a tube as something to take hold of: dragged to what the eye sees in the tube, or set by keys."""

from __future__ import annotations

from markupsafe import Markup

from dashboard import text_nest
from dashboard.components.drawing import housing


def level_html(nest: str, full_ml: float, left_ml: float | None) -> Markup:
    """A slider drawn as the tube. ``assets/nest.js`` moves it; nothing is written before the button is pressed.

    Args:
        full_ml: what the reservoir holds, > 0. left_ml: what is thought to be left; None where nobody knows.
    """
    now_ml = full_ml if left_ml is None else min(full_ml, max(0.0, left_ml))
    said = text_nest.LEVEL_UNKNOWN if left_ml is None else text_nest.LEVEL_SAYS.format(ml=f"{now_ml:.1f}")
    return Markup(
        '<div class="level"><p id="level-how">{how}</p>'
        '<div id="level" role="slider" tabindex="0" aria-label="{name}" aria-describedby="level-how" aria-orientation="horizontal"'
        ' aria-valuemin="0" aria-valuemax="{full}" aria-valuenow="{now}" aria-valuetext="{said}"'
        ' data-nest="{nest}" data-says="{form}" data-write-says="{write}"{unknown}>{drawing}</div>'
        '<p class="level-said"><output id="level-says" for="level">{said}</output>'
        '<button type="button" id="level-write" hidden></button><button type="button" id="level-back" hidden>{back}</button></p></div>'
    ).format(
        how=text_nest.LEVEL,
        name=text_nest.LEVEL_NAME,
        full=f"{full_ml:g}",
        now=f"{now_ml:.1f}",
        said=said,
        nest=nest,
        form=text_nest.LEVEL_SAYS,
        write=text_nest.LEVEL_WRITE,
        unknown=Markup(" data-unknown") if left_ml is None else "",
        drawing=housing("tube", 1.0),
        back=text_nest.LEVEL_BACK,
    )
