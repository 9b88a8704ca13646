"""What the keeper did and saw: which kinds carry an amount, in what unit, within what bounds. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sensord.cells import not_utf8, plain_number
from sensord.errors import InputError
from sensord.model import Entry, EntryKind, check_nest

_LONGEST_NOTE = 2_000


@dataclass(frozen=True, slots=True)
class Amount:
    """What the amount of a kind means. The upper bound catches slips of the pen, it is no judgement."""

    unit: str
    high: float
    meaning: str
    required: bool = False
    whole: bool = False


# fill and top_up without an amount are worth keeping: that it was done matters, and the keeper may not have measured.
AMOUNTS: dict[EntryKind, Amount] = {
    EntryKind.FILL: Amount("mL", 10_000, "mL of water it now holds"),
    EntryKind.TOP_UP: Amount("mL", 10_000, "mL of water added"),
    EntryKind.LEVEL: Amount("mL", 10_000, "mL of water left, 0 when found empty", required=True),
    EntryKind.WEIGH: Amount("g", 1_000_000, "g on the scale", required=True),
    EntryKind.COUNT: Amount("workers", 100_000_000, "workers counted", required=True, whole=True),
}
_OTHER = Amount("", 1_000_000, "a number that means something to you")


def make_entry(
    at_ms: int, nest: str, kind: str, amount: str | float | None = None, *, unit: str = "", note: str = "", by: str = ""
) -> Entry:
    """An entry from what somebody typed.

    Args:
        amount: blank or None for none; else a number within the bounds of its kind.
        unit: blank for the kind's own, which then stands in the entry.

    Raises:
        InputError: one line that says which field is wrong and what is allowed.
    """
    try:
        known = EntryKind(kind)
    except ValueError:
        raise InputError(f"kind = {kind[:60]!r}: allowed is {', '.join(EntryKind)}") from None
    rule = AMOUNTS.get(known, _OTHER)
    if len(note) > _LONGEST_NOTE or "\0" in note or not_utf8(note):
        raise InputError(f"note: allowed are up to {_LONGEST_NOTE} characters of text")
    value = _amount(known, rule, amount)
    return Entry(at_ms, check_nest(nest), known, value, _unit(known, rule, unit), note, by)


def _amount(kind: EntryKind, rule: Amount, given: str | float | None) -> float | None:
    if given is None or given == "":
        if rule.required:
            raise InputError(f"amount: is missing; {kind} needs one ({rule.meaning})")
        return None
    value = plain_number(given.strip()) if isinstance(given, str) else float(given)
    if not 0 <= value <= rule.high or (rule.whole and value != int(value)):
        number = "a whole number" if rule.whole else "a number"
        raise InputError(
            f"amount = {str(given)[:60]!r}: allowed for {kind} is {number} from 0 to {rule.high:g} ({rule.meaning})"
        )
    return value


def _unit(kind: EntryKind, rule: Amount, given: str) -> str:
    if not given.isprintable():
        raise InputError(f"unit = {given[:60]!r}: allowed are printable characters")
    if kind not in AMOUNTS:
        return given[:32]
    if given and given.lower() != rule.unit.lower():
        raise InputError(f"unit = {given[:60]!r}: allowed for {kind} is {rule.unit}, or blank")
    return rule.unit
