"""What was unusual about a nest's air before the end, and what was not: sentences for the two lists of a review. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.insight.exposures import AIR_FACTORS, Factor, at_one_place
from sensord.insight.review import Review

UNUSUAL_FROM = 90.0
"""From so many of 100 siblings that lived and had less of it (common practice)."""
WORDS = {
    Factor.DRY: "too dry", Factor.WET: "too wet", Factor.HOT: "too hot", Factor.COLD: "too cold",
    Factor.SWING: "swinging in temperature", Factor.RESERVOIR_EMPTY: "with an empty reservoir",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Contrast:
    """Sentences, the longest stretch first."""

    unusual: tuple[str, ...]
    usual: tuple[str, ...]


def contrast(review: Review) -> Contrast:
    """Each way in which air can harm: unusual where it went beyond limits, and more than in siblings that lived."""
    unusual: list[tuple[float, str]] = []
    usual: list[tuple[float, str]] = []
    quiet = []
    if not review.coverage.hours:
        return Contrast((), ("Nothing of its air was measured, so nothing can be said of it.",))
    for factor in AIR_FACTORS:
        found = at_one_place(review.exposures, factor)
        if not found:
            quiet.append(WORDS[factor])
            continue
        hours = sum(one.hours for one in found)
        rank = max((one.sibling_percentile for one in found if one.sibling_percentile is not None), default=None)
        words = f"{span(hours)} {WORDS[factor]}, {_beside(rank)}"
        (unusual if rank is None or rank >= UNUSUAL_FROM else usual).append((hours, words))
    empty = [one for one in review.exposures if one.factor is Factor.RESERVOIR_EMPTY]
    unusual += [(one.hours, f"{span(one.hours)} {WORDS[one.factor]}.") for one in empty]
    never = [f"At no hour that was measured {_joined(quiet)}."] if quiet else []
    return Contrast(_sorted(unusual), (*_sorted(usual), *never))


def _beside(rank: float | None) -> str:
    if rank is None:
        return "with no sibling that lived to hold it against."
    if rank >= UNUSUAL_FROM:
        return f"more than {rank:.0f} of 100 siblings that lived."
    return f"as {100 - rank:.0f} of 100 siblings that lived had as much or more."


def _sorted(found: list[tuple[float, str]]) -> tuple[str, ...]:
    return tuple(words[0].upper() + words[1:] for _, words in sorted(found, key=lambda one: -one[0]))


def _joined(words: list[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def span(hours: float) -> str:
    """Hours as a keeper says them."""
    if hours < 1.5:
        return "an hour"
    return f"{hours:.0f} hours" if hours < 72 else f"{hours / 24:.0f} days"
