"""The seal calculator as one function: line, length, corners, compression and joint of a rubber seal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fit.errors import InputError
from fit.feature import Feature
from fit.results import Notice
from fit.seal.corners import Corner, tightest_corners
from fit.seal.gapmap import GapMap, piece_at
from fit.seal.line import SealLine, edge_of, seal_line
from fit.seal.notices import seal_notices
from fit.seal.profile import Allowance, Joint, Profile
from fit.seal.squeeze import CutTolerance, Squeeze, cut_tolerance, squeeze_of
from fit.uncertain import Value

__all__ = ["SealPlan", "seal"]


@dataclass(frozen=True, eq=False, slots=True)
class SealPlan:
    """All that is needed to cut and fit a seal.

    Attributes
    ----------
    line : the seal's own line. chords : mm, the edge measured from joint to joint. allowance : mm. cut : length to cut.
    tolerance : of the cut, None where no class is asked for. corners : tightest with the bulb inside and outside.
    gaps : along the edge, None where not given. squeezes : at the places of the gaps.
    joint : where the ends meet; None of an open path.
    """

    line: SealLine
    chords: float
    allowance: float
    rule: Allowance
    cut: Value
    tolerance: CutTolerance | None
    corners: Sequence[Corner]
    profile: Profile
    gaps: GapMap | None
    squeezes: Sequence[Squeeze]
    joint: Joint | None
    notices: Sequence[Notice]


def seal(
    path: Feature,
    offset: float,
    side: str | None = None,
    profile: Profile | None = None,
    gaps: GapMap | None = None,
    *,
    allowance: Allowance | None = None,
    joint: float | None = None,
    grade: str | None = None,
) -> SealPlan:
    """Cut length, tightest corners and compression of a seal along a measured path.

    Parameters
    ----------
    path : a path feature. offset : mm from it to the seal's line, to `side` (out, in, left, right; out of a closed
    path). profile : the rubber. gaps : gap along the path, see `fit.seal.gapmap`. joint : mm along the path; None:
        the middle of the longest straight. grade : cut-length class L1, L2 or L3.

    length = L + offset · (turn of the path away from the side), that is L + 2π·offset outside a closed path (Steiner's
    formula for parallel curves); cut = length + allowance; compression = (free - gap) / free (definition); strain in a
    corner = offset / R (geometry). U95 after JCGM 100:2008; the allowance is a choice and adds none.

    Raises InputError, or CannotDetermine where the line cannot be moved that far.
    """
    rubber, rule = profile or Profile(), allowance or Allowance()
    line = seal_line(edge_of(path), offset, side)
    extra = rule.of(line.length.value)
    cut = replace(line.length, value=line.length.value + extra)
    squeezes = [] if gaps is None or rubber.free is None else _squeezes(gaps, rubber)
    corners = tightest_corners(line, rubber.limits, rubber.free)
    place = _joint(line, joint)
    return SealPlan(
        line,
        _chords(line),
        extra,
        rule,
        cut,
        None if grade is None else cut_tolerance(cut.value, grade),
        corners,
        rubber,
        gaps,
        squeezes,
        place,
        seal_notices(line, corners, place, rubber, (gaps, squeezes)),
    )


def _chords(line: SealLine) -> float:
    chain = line.edge.chain
    return float(np.abs(chain.lengths * np.sinc(chain.curvatures * chain.lengths / (2 * np.pi))).sum())


def _squeezes(gaps: GapMap, rubber: Profile) -> list[Squeeze]:
    assert rubber.free is not None
    free = (rubber.free, rubber.free_u)
    triples = zip(gaps.at.tolist(), gaps.gap.tolist(), gaps.u.tolist(), strict=True)
    return [squeeze_of(at, (gap, None if math.isnan(u) else u), free, rubber.wanted) for at, gap, u in triples]


def _joint(line: SealLine, at: float | None) -> Joint | None:
    """The joint asked for, or of a closed path the middle of the longest straight, of the widest bend if there is none."""
    chain = line.edge.chain
    total = float(chain.lengths.sum())
    if at is not None:
        if not 0 <= at <= total:
            message = f"The joint must lie on the path, 0 to {total:.1f} mm; got {at:g} mm."
            raise InputError(message)
        piece = piece_at(line.edge, at)
        return Joint(at, piece + 1, not bool(chain.arcs[piece]), not bool(chain.arcs.all()))
    if not line.edge.closed:
        return None
    bent = np.abs(chain.curvatures)
    pool = np.flatnonzero(bent <= bent.min() * (1 + 1e-9))
    piece, straight = int(pool[np.argmax(chain.lengths[pool])]), not bool(chain.arcs.all())
    return Joint(float(chain.lengths[:piece].sum() + chain.lengths[piece] / 2), piece + 1, straight, straight)
