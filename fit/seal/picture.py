"""Pictures of a seal: compression along the path as a chart and on the part, and the sheet with both lines."""

from __future__ import annotations

import itertools

import numpy as np

from fit.drawing.model import Drawing, Entity, Label, Note, PointMark, Polyline, Spot, TitleBlock
from fit.paths.chain import Chain, layout, locate, unit
from fit.paths.derived import polyline
from fit.points import FloatArray
from fit.report.chart import Chart, Level, Mark, chart_svg
from fit.seal.corners import Corner
from fit.seal.seal import SealPlan
from fit.seal.squeeze import verdict_of
from fit.units import format_length

__all__ = ["compression_chart", "part_picture", "seal_drawing"]

_GOOD, _LOOSE, _TIGHT, _UNSURE = "#2d7d46", "#2c5aa0", "#b2182b", "#b9770e"


def compression_chart(plan: SealPlan) -> str:
    """SVG of the compression along the path with its U95, the range, and the worst places; '' without compressions."""
    squeezes = plan.squeezes
    if len(squeezes) < 2:
        return ""
    at = np.array([squeeze.at for squeeze in squeezes])
    share = np.array([100 * squeeze.share for squeeze in squeezes])
    spread = np.array([0.0 if squeeze.u95 is None else 100 * squeeze.u95 for squeeze in squeezes])
    wanted = plan.profile.wanted
    worst = sorted({int(share.argmin()), int(share.argmax())})
    return chart_svg(
        Chart(
            at,
            share,
            "along the edge, mm",
            "compression, %",
            spread,
            [
                Level(100 * wanted.least, f"least {100 * wanted.least:g}"),
                Level(100 * wanted.most, f"most {100 * wanted.most:g}"),
            ],
            [Mark(float(at[i]), float(share[i]), f"{share[i]:.0f} % at {at[i]:.0f}") for i in worst],
        )
    )


def part_picture(plan: SealPlan) -> str:
    """SVG of the path as it lies, each stretch coloured by its compression, with the joint and the places of the
    gaps.
    """
    chain = plan.line.edge.chain
    total = float(chain.lengths.sum())
    along = np.linspace(0, total, 240)
    places = locate(chain, along)[0]
    low, high = places.min(axis=0), places.max(axis=0)
    scale = 600.0 / max(float((high - low).max()), 1e-6)
    height = 60 + scale * float(high[1] - low[1])

    def put(point: FloatArray) -> tuple[float, float]:
        return 30 + scale * float(point[0] - low[0]), height - 30 - scale * float(point[1] - low[1])

    colours = [_colour(plan, 0.5 * (a + b)) for a, b in itertools.pairwise(along)]
    body = []
    for a, b, colour in zip(places, places[1:], colours, strict=False):
        (x1, y1), (x2, y2) = put(a), put(b)
        body.append(f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}" stroke-width="6"/>')
    for squeeze in plan.squeezes[:: max(1, len(plan.squeezes) // 40)]:
        x, y = put(locate(chain, np.array([min(max(squeeze.at, 0.0), total)]))[0][0])
        body.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#111"><title>{100 * squeeze.share:.0f} %</title></circle>'
        )
        body.append(f'<text x="{x + 7:.1f}" y="{y - 6:.1f}">{100 * squeeze.share:.0f}</text>')
    x, y = put(places[0])
    body.append(f'<text x="{x - 12:.1f}" y="{y + 16:.1f}" text-anchor="end">start</text>')
    if plan.joint is not None:
        x, y = put(locate(chain, np.array([plan.joint.at]))[0][0])
        body.append(f'<path d="M{x - 9:.1f} {y - 9:.1f}l18 18m0-18l-18 18" stroke="#111" stroke-width="2"/>')
        body.append(f'<text x="{x + 12:.1f}" y="{y + 18:.1f}">joint</text>')
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="660" height="{height:.0f}" viewBox="0 0 660 {height:.0f}"'
    return f'{head} font-family="sans-serif" font-size="12">{"".join(body)}</svg>'


def _colour(plan: SealPlan, at: float) -> str:
    """Colour of a place between two gaps: the verdict on the compression and its U95 in between them."""
    if not plan.squeezes:
        return "#555"
    x = np.array([squeeze.at for squeeze in plan.squeezes])
    y = np.array([squeeze.share for squeeze in plan.squeezes])
    period = float(plan.line.edge.chain.lengths.sum()) if plan.line.edge.closed else None
    spread = np.array([0.0 if squeeze.u95 is None else squeeze.u95 for squeeze in plan.squeezes])
    share, u95 = (float(np.interp(at, x, values, period=period)) for values in (y, spread))
    verdict = verdict_of(share, u95, plan.profile.wanted)
    if verdict == "outside":
        return _LOOSE if share < plan.profile.wanted.least else _TIGHT
    return _UNSURE if verdict == "not proven" else _GOOD


def seal_drawing(plan: SealPlan, unit_out: str = "mm") -> Drawing:
    """The sheet: measured edge (layer reference), the seal's own line (layer mark), joint, tightest corners, sizes
    in words.
    """
    line = plan.line
    chain = line.edge.chain
    x, y = chain.start
    entities: list[Entity] = [_polyline(chain, "reference"), _polyline(line.moved.chain, "mark")]
    entities += [PointMark(float(x), float(y), "mark"), Label(float(x), float(y), "start")]
    if plan.joint is not None:
        x, y = locate(chain, np.array([plan.joint.at]))[0][0]
        entities += [PointMark(float(x), float(y), "mark"), Label(float(x), float(y), "joint")]
    length, cut = (format_length(value.value, value.u95, unit_out) for value in (line.length, plan.cut))
    edge = line.edge.feature.value("length")
    notes = [
        Note(
            f"Cut {cut}: seal's line {length} and {format_length(plan.allowance, None, unit_out, with_unit=True)} allowance.",
            True,
        ),
        Note(
            f"Solid: the seal's own line (layer mark), {format_length(abs(line.offset), None, unit_out)} {line.lies} of the "
            f"measured edge; broken: that edge, {format_length(edge.value, edge.u95, unit_out)} (layer reference). Radii are "
            "the solid line's; places count along the edge from 'start'."
        ),
    ]
    if line.edge.closed:
        notes.append(Note("Closed loop: moving the line by 1 mm changes its length by 2 pi = 6.28 mm."))
    return Drawing(
        entities=entities,
        spots=[_spot(plan, corner, unit_out) for corner in plan.corners],
        notes=notes,
        title=TitleBlock(name=f"Seal on {line.edge.feature.name}"),
        unit_out=unit_out,
    )


def _spot(plan: SealPlan, corner: Corner, unit_out: str) -> Spot:
    """A tight corner to be sized by a leader on its arc."""
    chain, i = plan.line.edge.chain, corner.segment - 1
    place = locate(chain, np.array([corner.at]))[0][0]
    if corner.edge_radius.value == 0:
        return Spot(f"corner {corner.direction}", float(place[0]), float(place[1]), 0.5, "sharp corner")
    words = f"R {format_length(corner.line_radius, corner.edge_radius.u95, unit_out)}"
    where = layout(chain)
    centre = where.joints[i] + unit(where.before[i] + np.pi / 2) / chain.curvatures[i]
    out = place - centre
    arc = (float(np.arctan2(out[1], out[0])), abs(corner.turn) / 2)
    return Spot(f"corner {corner.direction}", float(centre[0]), float(centre[1]), corner.line_radius, words, arc=arc)


def _polyline(chain: Chain, layer: str) -> Polyline:
    vertices = tuple((float(x), float(y), float(bulge)) for x, y, bulge in polyline(chain))
    return Polyline(vertices, bool(chain.closed), layer)
