"""Whether a size meets its limits, given what it is known to."""

from __future__ import annotations

from fit.errors import InputError
from fit.uncertain import Value

__all__ = ["verdict"]


def verdict(value: Value, lower: float | None = None, upper: float | None = None) -> str:
    """``inside``, ``outside`` or ``not proven`` (decision rule of ISO 14253-1, with the 95 % interval).

    Inside: the whole interval lies within the limits. Outside: the whole interval lies beyond one. Else not proven. A
    limit left out does not bind.

    Raises
    ------
    InputError : no limit given, or the lower above the upper.
    """
    if lower is None and upper is None:
        message = "A verdict needs a limit; give a tolerance or limits."
        raise InputError(message)
    low, high = float("-inf") if lower is None else lower, float("inf") if upper is None else upper
    if low > high:
        message = f"The lower limit must not lie above the upper; got {low:g} and {high:g}."
        raise InputError(message)
    least, most = value.value - value.u95, value.value + value.u95
    if least >= low and most <= high:
        return "inside"
    return "outside" if least > high or most < low else "not proven"
