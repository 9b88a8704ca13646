"""Cumulative sum: small lasting shifts add up until they cannot be chance (Page 1954, Biometrika 41:100-115)."""

from __future__ import annotations

from typing import Any


def upper(sum_before: Any, excess: Any, reference: Any) -> Any:
    """The upper one-sided sum after one more value; floats or arrays alike.

    Args:
        sum_before: 0 at the start. excess: the value above its target.
        reference: half the shift to find, in the value's unit (K in Montgomery, Introduction to Statistical Quality
            Control, ch. 9); what is below it counts against a shift.
    """
    total = sum_before + excess - reference
    return total * (total > 0)
