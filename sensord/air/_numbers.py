"""Floats or arrays alike: plain ``math`` for floats, numpy only where an array comes in (a hub has no numpy)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Value = TypeVar("Value", float, "npt.NDArray[np.float64]")


def exp(value: Value) -> Value:
    """Natural exponential."""
    result: Value = _call("exp", value)
    return result


def log(value: Value) -> Value:
    """Natural logarithm; NaN where there is none."""
    if isinstance(value, float | int):
        return math.log(value) if value > 0 else math.nan
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(value > 0, np.log(value), np.nan)


def log1p(value: Value) -> Value:
    """ln(1 + value), exact near zero."""
    result: Value = _call("log1p", value)
    return result


def power(value: Value, exponent: float) -> Value:
    """The value, not negative, to a power."""
    result: Value = value**exponent
    return result


def clip(value: Value, low: float, high: float) -> Value:
    """The value, held between two bounds; NaN stays NaN."""
    if isinstance(value, float | int):
        return low if value < low else min(value, high)
    import numpy as np

    return np.clip(value, low, high)


def any_true(condition: Any) -> bool:
    """Whether it holds anywhere."""
    return bool(condition) if isinstance(condition, bool) else bool(condition.any())


def _call(name: str, value: Any) -> Any:
    if isinstance(value, float | int):
        return getattr(math, name)(value)
    import numpy as np

    return getattr(np, name)(value)
