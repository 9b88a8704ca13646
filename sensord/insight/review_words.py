"""What a review says, in sentences a keeper understands: what was unusual, by how much, and how often siblings saw it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sensord.clock import DAY_MS, HOUR_MS
from sensord.insight.exposures import Distrust, Exposure, Factor, at_one_place
from sensord.insight.harm import HARM_DOSE, Measure

if TYPE_CHECKING:
    from sensord.insight.review import Case
    from sensord.insight.verdict import Coverage

_TOO = {
    Factor.DRY: "too dry", Factor.WET: "too wet", Factor.HOT: "too hot", Factor.COLD: "too cold",
    Factor.SWING: "swinging in temperature", Factor.RESERVOIR_EMPTY: "without water in the reservoir",
}  # fmt: skip
_CONSISTENT = {
    "dry": "cotton that dried and air too dry", "wet": "a nest too wet", "heat": "heat", "cold": "cold",
    "swing": "temperature that swung to and fro", "reservoir_empty": "an empty reservoir and cotton that dried",
}  # fmt: skip
CHECK = {
    "dry": "Look at the cotton: is it pale, or is there an air bubble between it and the water? Touch it.",
    "wet": "Look for standing water in the chamber and for a leaking plug; tilt the nest and see whether water runs.",
    "heat": "Feel the mat or cable under this nest and look at its thermostat before you put anything living there. "
    "Mains heat near water: pull the plug first, and leave repairs to somebody licensed.",
    "cold": "Look for a window, door or fridge near this nest, and whether its heating still works.",
    "swing": "Look what switches near this nest: a lamp, a mat on a timer, sun on the glass.",
    "reservoir_empty": "Look at the reservoir, and at the journal: when was it filled last?",
    "not_climate": "Look elsewhere: food and when it was last given, mites or mould, a queen that never laid, a disturbance.",
    "cannot_tell": "Check the probe of this nest: is it plugged in, where does it sit, what did it say last?",
}
_UNITS = {Factor.DRY: "%", Factor.WET: "%", Factor.RESERVOIR_EMPTY: "mL", Factor.SWING: "°C in twelve hours"}
_LEFT_OUT = {
    "stuck": "stood still to the last digit",
    "out of range": "were out of range",
    "noisy": "jumped as no air does",
    "below the room": "were drier than the room, which a nest over wet cotton cannot be",
    "moved": "changed within an hour and then stayed, as when a probe is moved or a plug pulled",
}


def facts(factor: Factor, found: Measure | None, exposures: Sequence[Exposure], case: Case) -> str:
    """How long, how bad, until when, and how many siblings that lived had as much; no full stop at the end."""
    stretches = at_one_place(exposures, factor, None if found is None else found.place)
    words = []
    if stretches:
        hours = sum(one.hours for one in stretches)
        worst = (min if factor in (Factor.DRY, Factor.COLD) else max)(stretches, key=lambda one: one.worst)
        unit = _UNITS.get(factor, "°C")
        words.append(
            f"{_span(hours)} {_TOO[factor]}, worst {worst.worst:.3g} {unit} (limit {worst.limit:.3g}{by_cotton(worst)}), "
            + _ended(case.until_ms - max(one.until_ms for one in stretches))
        )
    if found is not None and found.compared:
        words.append(f"{found.alike} of {found.compared} siblings that lived, {case.siblings.who}, had as much")
    elif found is not None:
        words.append("no sibling that lived was measured at that place")
    if found is not None and found.median_apart is not None:
        unit = "points of humidity" if factor is Factor.DRY else "°C"
        words.append(f"it stood {abs(found.median_apart):.1f} {unit} away from their median meanwhile")
    return "; ".join(words) or "little of it was measured"


def by_cotton(one: Exposure) -> str:
    """What a limit is that no band holds."""
    return " by its own cotton" if one.of_cotton else ""


def because(factor: Factor, found: Measure | None, said: str, water: str) -> str:
    """The facts, how they rank among siblings, and what is taken for harmful.

    Args:
        water: why it was the reservoir or the cotton, empty where nothing was dry.
    """
    words = [_sentence(said)]
    if found is not None and found.p is not None:
        words.append(
            f"More than {found.percentile:.0f} of 100 siblings (Cliff's delta {found.effect:+.2f}, exact permutation "
            f"p = {found.p:.2g})."
        )
    if factor in (Factor.RESERVOIR_EMPTY, Factor.DRY):
        words.append(_sentence(water))
    if factor in HARM_DOSE:
        dose = HARM_DOSE[factor]
        words.append(f"Taken for harmful from {dose.amount:g} {dose.unit} within five days: {dose.source}.")
    return " ".join(one for one in words if one)


def named(cause: str, said: str, case: Case) -> str:
    """The verdict where a cause is named: two sentences."""
    return f"The {_what(case)} is consistent with {_CONSISTENT[cause]}. {_sentence(said)}"


def not_climate(said: str | None, exposures: Sequence[Exposure], case: Case) -> str:
    """The verdict where the climate does not explain it.

    Args:
        said: facts of the cause best supported, None where there is none.
    """
    seen = "Nothing in the nest's air went beyond its limits"
    if exposures:
        seen = "What went beyond its limits was too little, too long before, or no more than siblings that lived went through"
        seen += f" ({said})" if said else ""
    return f"The climate does not explain the {_what(case)}. {seen}{_left_out(case.distrusted)}."


def cannot_tell(coverage: Coverage, case: Case) -> str:
    """The verdict where too little was recorded: what there is of it."""
    room = f", that of its room {coverage.room:.0%}, which says little of one nest" if coverage.room else ""
    lacks = ""
    if coverage.temp_recent > 2 * coverage.rh_recent:
        lacks = " both temperature and humidity for"
    return (
        f"Too little was recorded to tell: the nest's own probe covers{lacks} {coverage.window:.0%} of the window, "
        f"{coverage.recent:.0%} of its last seven days and {coverage.last:.0%} of its last two{room}{_left_out(case.distrusted)}. "
        f"What there is neither blames the climate nor clears it."
    )


def _what(case: Case) -> str:
    return "death" if case.died_at_ms is not None else "state of this nest with its living colony"


def _left_out(distrusted: Sequence[Distrust]) -> str:
    whys = list(dict.fromkeys(one.why for one in distrusted))
    return f"; readings were left out that {' or '.join(_LEFT_OUT[why] for why in whys)}" if whys else ""


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}." if text else ""


def _span(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"


def _ended(before_ms: int) -> str:
    if before_ms < 2 * HOUR_MS:
        return "until the end"
    span = f"{before_ms / HOUR_MS:.0f} h" if before_ms < 3 * DAY_MS else f"{before_ms / DAY_MS:.0f} days"
    return f"until {span} before the end"
