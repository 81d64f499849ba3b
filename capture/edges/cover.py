"""How much of an edge is seen."""

from __future__ import annotations

from capture.edges.rim_fit import Edge
from fit.errors import CannotDetermine
from fit.results import Notice

__all__ = ["told_of_cover"]


def told_of_cover(edge: Edge, least: float) -> list[Notice]:
    """Refuse an edge that hardly shows; warn where much of it does not."""
    if edge.cover < least:
        message = f"Only {edge.cover:.0%} of the edge can be seen; shoot again with light from another side."
        raise CannotDetermine(message)
    if edge.cover > 0.75:
        return []
    text = f"Only {edge.cover:.0%} of this edge shows clearly; the rest is bridged. Look at the overlay."
    return [Notice("low-contrast", text)]
