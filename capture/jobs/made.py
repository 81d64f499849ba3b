"""Features made from others: a path moved aside by a clearance or thickness, and planes of symmetry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from capture.jobs.sizes import feature_named
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.paths.chain import Chain, layout, unit
from fit.points import FloatArray
from fit.results import Notice
from fit.seal.line import Edge, SealLine, edge_of, seal_line

if TYPE_CHECKING:
    from capture.jobs.keys import FeatureKeys

__all__ = ["add_made"]

_ARC_KEYS = ("x", "y", "z", "nx", "ny", "nz", "radius", "start", "span")
_LINE_KEYS = ("x1", "y1", "z1", "x2", "y2", "z2", "length")


def add_made(wanted: Sequence[FeatureKeys], features: dict[str, Feature]) -> list[Notice]:
    """Add the features of kind offset and symmetry to those measured; what cannot be made is left out with a warning."""
    notices: list[Notice] = []
    for keys in wanted:
        parts = [feature_named(features, name) for name in keys.of or ()]
        found = [part for part in parts if part is not None]
        if len(found) < len(parts):
            text = f"What '{keys.name}' is made from was not measured, so it is left out."
            notices.append(Notice("not-measured", text, keys.name))
            continue
        try:
            features[keys.name] = _made(keys, found)
        except (CannotDetermine, InputError) as error:
            notices.append(Notice("not-measured", str(error), keys.name))
    return notices


def _made(keys: FeatureKeys, parts: Sequence[Feature]) -> Feature:
    from fit.dimensions import symmetry_plane

    if keys.kind == "symmetry":
        plane = symmetry_plane(*parts).renamed(keys.name)
        return replace(plane, source=f"midway between {parts[0].name} and {parts[1].name}")
    line = seal_line(edge_of(parts[0]), float(keys.offset or 0.0), keys.side)
    return replace(_path_of(line, keys.name), source=f"{parts[0].name} moved {keys.offset:g} mm {line.side}")


def _path_of(line: SealLine, name: str) -> Feature:
    """The moved line as a path feature; each piece has the errors of the piece it comes from."""
    chain, edge, where = line.moved.chain, line.edge, layout(line.moved.chain)
    pieces = []
    for i, origin in enumerate(line.moved.origin):
        parent = edge.feature.segments[origin if origin >= 0 else -1 - origin]
        place = _arc(chain, i, where.joints, edge) if chain.arcs[i] else _line(where.joints[i : i + 2], edge)
        pieces.append(_piece(f"{name} {i + 1}", place, parent, rounding=origin < 0))
    radii = [piece for piece in pieces if piece.kind == "arc"]
    order: tuple[str, ...] = ("length",)
    values = [line.length.value]
    own, shared = [line.length.own], [line.length.shared]
    names = line.length.shared_names
    if radii:
        tightest = min(radii, key=lambda piece: piece["radius"])
        order, radius = ("length", "smallest_radius"), tightest.value("radius")
        moves = np.array([dict(zip(radius.shared_names, radius.shared, strict=True)).get(key, 0.0) for key in names])
        values, own, shared = [*values, radius.value], [*own, radius.own], [*shared, moves]
    parent = edge.feature
    return Feature(name, "path", order, np.array(values), np.diag(own), np.array(shared).T, names, parent.dof,
                   segments=tuple(pieces), closed=edge.closed)  # fmt: skip


def _line(joints: FloatArray, edge: Edge) -> dict[str, float]:
    ends = edge.origin + joints @ edge.axes[:2]
    length = float(np.linalg.norm(ends[1] - ends[0]))
    return dict(zip(_LINE_KEYS, [*ends.ravel().tolist(), length], strict=True))


def _arc(chain: Chain, i: int, joints: FloatArray, edge: Edge) -> dict[str, float]:
    """Centre, normal, radius, start and span of one piece, counter-clockwise about the plane's normal."""
    kappa, heading = chain.curvatures[i], layout(chain).before[i]
    span = abs(float(kappa * chain.lengths[i]))
    centre = joints[i] + unit(heading + np.pi / 2) / kappa
    start = heading - np.pi / 2 if kappa > 0 else heading + kappa * chain.lengths[i] + np.pi / 2
    place = edge.origin + centre @ edge.axes[:2]
    figures = [*place.tolist(), *edge.axes[2].tolist(), 1 / abs(float(kappa)), float(start) % (2 * np.pi), span]
    return dict(zip(_ARC_KEYS, figures, strict=True))


def _piece(name: str, place: Mapping[str, float], parent: Feature, rounding: bool) -> Feature:
    """A piece at its place with its parent's errors; the radius of a rounded corner is chosen, not measured."""
    kind = "arc" if "radius" in place else "line"
    order = tuple(place)
    cov, shared = np.zeros((len(order), len(order))), np.zeros((len(parent.shared_names), len(order)))
    origin = {key: key for key in order} if parent.kind == kind else {"x": "x1", "y": "y1", "z": "z1"}
    known = [(i, parent.index(origin[key])) for i, key in enumerate(order)
             if origin.get(key) in parent.order and not (rounding and key == "radius")]  # fmt: skip
    mine, theirs = [i for i, _ in known], [j for _, j in known]
    cov[np.ix_(mine, mine)] = parent.cov_own[np.ix_(theirs, theirs)]
    shared[:, mine] = parent.shared[:, theirs]
    return Feature(name, kind, order, np.array(list(place.values())), cov, shared, parent.shared_names, parent.dof)
