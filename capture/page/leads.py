"""Edges found for way-points are kept, so that a change of one mark searches the photo again for that mark only."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from capture.edges.candidates import Lead, Pick
from capture.edges.leading import chosen, lead
from capture.edges.rounding import ROUNDINGS

if TYPE_CHECKING:
    from capture.camera.bench import Bench
    from capture.edges.strip import Lit

__all__ = ["KeptLeads"]

_MOST_CUTS = 300_000
"""Cuts across edges kept for one photo; each takes about 0.8 kB, a plate's whole outline some 60 000."""

Key = tuple[object, ...]


@dataclass(frozen=True, eq=False, slots=True)
class KeptLeads:
    """Leads of one solved photo. A mark's name and which of two edges is wanted do not change what is found."""

    found: dict[Key, Lead] = field(default_factory=dict)
    hold: threading.RLock = field(default_factory=threading.RLock)

    def lead(self, lit: Lit, bench: Bench, pick: Pick) -> Lead:
        """As `capture.edges.leading.lead`, with the same errors; what was found for the same pick is not searched again."""
        key = _key(pick)
        with self.hold:
            kept = self.found.pop(key, None)
        if kept is None:
            kept = lead(lit, bench, replace(pick, edge="clearest"))
        with self.hold:
            self.found[key] = kept
            while len(self.found) > 1 and sum(map(_cuts, self.found.values())) > _MOST_CUTS:
                self.found.pop(next(iter(self.found)))
        return replace(kept, pick=pick) if pick.edge == "clearest" else chosen(pick, kept.candidates)


def _cuts(kept: Lead) -> int:
    """As many as there are once all its candidates are settled."""
    lines = [candidate.line.xy for candidate in kept.candidates if candidate.line is not None]
    return len(ROUNDINGS) * sum(map(len, lines))


def _key(pick: Pick) -> Key:
    near = tuple(map(tuple, pick.near.tolist()))
    return pick.kind, near, repr(pick.known), pick.about, pick.closed, pick.metal
