"""What the user should know about a seal, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fit.results import Notice
from fit.seal.corners import Corner
from fit.seal.gapmap import GapMap
from fit.seal.line import SealLine
from fit.seal.profile import Joint, Profile
from fit.seal.squeeze import Squeeze

__all__ = ["seal_notices"]

_LEAST_PLACES = 8


def seal_notices(
    line: SealLine,
    corners: Sequence[Corner],
    joint: Joint | None,
    rubber: Profile,
    squeezed: tuple[GapMap | None, Sequence[Squeeze]],
) -> list[Notice]:
    """All warnings of a seal: its line, its corners, the gaps with their compressions, and the joint."""
    gaps, squeezes = squeezed
    found = [*_of_line(line), *(notice for corner in corners for notice in _of_corner(corner))]
    if gaps is not None:
        found += [*_of_gaps(gaps, rubber), *_of_squeezes(squeezes, rubber)]
    return [*found, *_of_joint(joint)]


def _of_line(line: SealLine) -> list[Notice]:
    edge, own, name = line.edge.feature["length"], line.length.value, line.edge.feature.name
    notices = []
    if abs(own - edge) > 0.005 * edge:
        text = f"Along the edge it is {edge:.1f} mm, along the seal's own line {own:.1f} mm. Cut to the seal's line."
        notices.append(Notice("edge-not-seal-line", text, name))
    if line.moved.collapsed:
        pieces = ", ".join(str(i + 1) for i in line.moved.collapsed)
        text = f"The offset is larger than the radius of piece {pieces}: the seal's line has a sharp corner. Mitre it."
        notices.append(Notice("corner-collapsed", text, name))
    return notices


def _of_corner(corner: Corner) -> list[Notice]:
    least = min(corner.edge_radius.value, corner.line_radius)
    radius = f"R {least:.1f} mm at {corner.at:.0f} mm along"
    where = f"bulb on the {corner.direction} of the bend"
    says = corner.advice
    if not corner.limit_known:
        text = f"The profile's least radius, {where}, is not given: ask its sheet. Tightest here: {radius}."
        if corner.limit is not None:
            text += f" By common practice (no source) {corner.limit:.0f} mm is needed: {says}."
        return [Notice("bend-limit-unknown", text)]
    if corner.verdict == "inside":
        return []
    text = f"{radius}, {where}: the profile needs {corner.limit:g} mm, so this is {says}."
    return [Notice("bend-too-tight", text + " Mitre and bond, or use a moulded corner.")]


def _of_gaps(gaps: GapMap, rubber: Profile) -> list[Notice]:
    notices = []
    if gaps.unit_assumed:
        notices.append(Notice("unit-assumed", f"{gaps.source}: says no unit; thicknesses are taken as mm."))
    if len(gaps.at) < _LEAST_PLACES and not gaps.source.startswith("typed"):
        text = f"The gap is known at {len(gaps.at)} places; take {_LEAST_PLACES} or more (common practice), no average."
        notices.append(Notice("few-places", text))
    if np.isnan(gaps.u).any():
        text = "How well the gaps are known is not given, so the compression has no ±. Give --gap-u."
        notices.append(Notice("gap-u-unknown", text))
    if rubber.free is None:
        text = "The seal's free height is not given, so there is no compression. Give --free."
        notices.append(Notice("free-height-unknown", text))
    return notices


def _of_squeezes(squeezes: Sequence[Squeeze], rubber: Profile) -> list[Notice]:
    notices = []
    for code, low in (("seal-loose", True), ("seal-tight", False)):
        wrong = [s for s in squeezes if s.verdict == "outside" and (s.share < rubber.wanted.least) == low]
        if wrong:
            limit = f"under {100 * rubber.wanted.least:g} %" if low else f"over {100 * rubber.wanted.most:g} %"
            places = ", ".join(f"{s.at:.0f} mm ({100 * s.share:.0f} %)" for s in wrong[:8])
            count = "1 place" if len(wrong) == 1 else f"{len(wrong)} places"
            notices.append(Notice(code, f"The seal is squeezed {limit} at {count}: {places}."))
    if unsure := sum(s.verdict == "not proven" for s in squeezes):
        text = (
            f"At {unsure} of {len(squeezes)} places the ± reaches over the range's limit; measure the gap there again."
        )
        notices.append(Notice("squeeze-not-proven", text))
    return notices


def _of_joint(joint: Joint | None) -> list[Notice]:
    if joint is None or joint.straight:
        return []
    text = f"The joint at {joint.at:.0f} mm lies in a bend, where it opens; put it on a straight, at the bottom."
    if not joint.any_straight:
        text = (
            f"The path has no straight, so the joint at {joint.at:.0f} mm lies in a bend: put it at the bottom, bonded."
        )
    return [Notice("joint-in-corner", text)]
