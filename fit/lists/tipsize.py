"""What a probe's ball tip can be."""

from __future__ import annotations

from fit.errors import InputError

__all__ = ["check_tip_size"]

_LARGEST = 100.0  # mm


def check_tip_size(diameter: float, u: float) -> None:
    """Refuse a diameter or its standard uncertainty u, mm, that no tip has; raises InputError."""
    if not 0 < diameter < _LARGEST:
        message = f"The tip's diameter (--tip) must be above 0 and below {_LARGEST:g} mm; got {diameter:g} mm."
        raise InputError(message)
    if not 0 <= u < diameter:
        message = (
            f"The uncertainty of the tip's diameter (--tip-u) must be smaller than the tip, {diameter:g} mm, and not "
            f"below 0; got {u:g} mm."
        )
        raise InputError(message)
