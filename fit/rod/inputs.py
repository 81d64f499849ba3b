"""What is typed about a bent rod."""

from __future__ import annotations

from dataclasses import dataclass

from fit.errors import InputError
from fit.lists.tipsize import check_tip_size

__all__ = ["RodInputs"]


@dataclass(frozen=True, slots=True)
class RodInputs:
    """What is typed about the rod and the tip.

    Attributes
    ----------
    diameter : mm, of the rod; diameter_u its standard uncertainty.
    radius : mm, centre-line radius of each bend, or one for all; () where touches on the bends must give it.
    radius_u : its standard uncertainty, the same error in all bends.
    tip : mm, tip diameter, 0 where surface points are given; tip_u its standard uncertainty.
    points : 'centre', 'surface', or None to let the touches tell by the known rod diameter.
    """

    diameter: float
    diameter_u: float = 0.0
    radius: tuple[float, ...] = ()
    radius_u: float = 0.0
    tip: float = 0.0
    tip_u: float = 0.003
    points: str | None = None

    def __post_init__(self) -> None:
        for what, value in (("rod diameter", self.diameter), *(("radius", r) for r in self.radius)):
            if not 0 < value < 1e5:
                message = f"The {what} must be above 0 mm and below 100 m; got {value:g}."
                raise InputError(message)
        if self.tip:
            check_tip_size(self.tip, self.tip_u)
        if self.points == "centre" and self.tip == 0:
            message = "Tip centres need the tip's diameter; give --tip MM."
            raise InputError(message)
