"""The gap along a path: typed clay thicknesses, or measured to a second path, a plane or a cloud."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fit.clearance.body import Body, read_body
from fit.clearance.sampled import sample_feature
from fit.errors import InputError
from fit.feature import Feature
from fit.paths.chain import locate
from fit.points import FloatArray
from fit.resultfile import read_results
from fit.seal.line import Edge
from fit.units import MM_PER_INCH, parse_length

__all__ = ["GapMap", "gap_map", "measured_gaps", "read_thicknesses"]

_STEP = 10.0


@dataclass(frozen=True, eq=False, slots=True)
class GapMap:
    """Gaps along an edge: at (n,) mm from its start in rising order, gap (n,) mm, u (n,) mm (NaN where not known)."""

    at: FloatArray
    gap: FloatArray
    u: FloatArray
    source: str
    unit_assumed: bool = False


def gap_map(edge: Edge, source: str, unit: str | None = None, gap_u: float | None = None) -> GapMap:
    """The gap from whatever the user names: a length such as ``8`` or ``8±0.5``, a text file of clay thicknesses, a
    cloud, or FILE.json@NAME for a path, line, arc or plane of a result.

    gap_u is the standard uncertainty (mm) of typed thicknesses and bare clouds that do not bring their own.
    """
    path = Path(source.partition("@")[0])
    if not path.exists():
        return _constant(edge, source, unit, gap_u)
    if path.is_dir() or path.suffix.lower() == ".json":
        return _from_result(edge, path, source.partition("@")[2])
    if path.suffix.lower() in (".ply", ".npz", ".xyz"):
        return measured_gaps(edge, read_body([path], unit, gap_u), source)
    return read_thicknesses(edge, path, unit, gap_u)


def _constant(edge: Edge, text: str, unit: str | None, gap_u: float | None) -> GapMap:
    if not re.match(r"\s*[-+.\d]", text) or re.search(r"\.[a-z]{3,4}$", text):
        message = f"{text}: no such file; --gap takes a file of thicknesses, a cloud, RESULTS@NAME or a length."
        raise InputError(message)
    length = parse_length(text, unit or "mm")
    if length.value < 0:
        message = f"The gap must be 0 or more; got '{text}'."
        raise InputError(message)
    u = length.u if length.u is not None else math.nan if gap_u is None else gap_u
    total = float(edge.chain.lengths.sum())
    return GapMap(np.array([0.0, total]), np.full(2, length.value), np.full(2, u), f"typed: {text}")


def read_thicknesses(edge: Edge, path: Path, unit: str | None = None, gap_u: float | None = None) -> GapMap:
    """Clay thicknesses from text: rows ``along, thickness`` or ``along, thickness, u`` (mm along the edge, thickness,
    its standard uncertainty), or with a header ``x, y, z, thickness`` (z and u may be left out).

    Raises InputError naming file and line.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        message = f"{path}: cannot be read as a text file of thicknesses; check the name."
        raise InputError(message) from error
    rows = [(i + 1, re.split(r"[,;\s]+", line.split("#")[0].strip())) for i, line in enumerate(lines)]
    rows = [(number, words) for number, words in rows if words != [""]]
    said = re.search(r"\b(mm|inch)\b", "\n".join(line for line in lines if not re.match(r"\s*[-+.\d]", line)))
    if said and unit and said.group(1) != unit:
        message = f"{path}: the unit is stated as {said.group(1)}, --unit says {unit}; they must agree."
        raise InputError(message)
    scale = MM_PER_INCH if (said.group(1) if said else unit) == "inch" else 1.0
    head = _header(rows)
    table = np.array([_row(words, len(head), f"{path}, line {number}") for number, words in rows[_has_header(rows) :]])
    if len(table) == 0:
        message = f"{path}: holds no thicknesses; write rows 'along, thickness' in mm."
        raise InputError(message)
    columns = {name: table[:, k] * scale for k, name in enumerate(head)}
    at = columns["along"] if "along" in columns else _feet(edge, columns)
    u = columns.get("u", np.full(len(at), math.nan if gap_u is None else gap_u))
    gaps = GapMap(at, columns["gap"], u, str(path), said is None and unit is None)
    return _in_order(edge, gaps, [number for number, _ in rows[_has_header(rows) :]])


def _has_header(rows: list[tuple[int, list[str]]]) -> bool:
    return bool(rows) and re.match(r"[A-Za-z]", rows[0][1][0]) is not None


_NAMES = {"along": "along", "at": "along", "s": "along", "x": "x", "y": "y", "z": "z", "u": "u", "gap_u": "u"}
_NAMES |= dict.fromkeys(("gap", "thickness", "clay", "gap_mm", "thickness_mm"), "gap")
_NAMES |= dict.fromkeys(("along_mm", "position"), "along")


def _header(rows: list[tuple[int, list[str]]]) -> list[str]:
    if not _has_header(rows):
        width = len(rows[0][1]) if rows else 2
        return ["along", "gap", "u"][: min(max(width, 2), 3)]
    names = [_NAMES.get(word.lower(), "") for word in rows[0][1]]
    if "gap" not in names or not ("along" in names or {"x", "y"} <= set(names)):
        message = f"The header of the thicknesses must name along (or x and y) and gap; got '{', '.join(rows[0][1])}'."
        raise InputError(message)
    return names


def _row(words: list[str], width: int, where: str) -> list[float]:
    try:
        numbers = [float(word) for word in words]
    except ValueError:
        numbers = []
    if len(numbers) != width or not all(math.isfinite(value) for value in numbers):
        message = f"{where}: must hold {width} numbers; got '{', '.join(words)}'."
        raise InputError(message)
    return numbers


def _feet(edge: Edge, columns: dict[str, FloatArray]) -> FloatArray:
    """Lengths along the edge of the places nearest to typed x, y (and z)."""
    along = np.linspace(0, float(edge.chain.lengths.sum()), 20001)
    places = edge.places(along)
    if "z" in columns:
        given = np.stack([columns["x"], columns["y"], columns["z"]], axis=1)
        return along[[int(np.argmin(((places - point) ** 2).sum(axis=1))) for point in given]]
    given = np.stack([columns["x"], columns["y"]], axis=1)
    return along[[int(np.argmin(((places[:, :2] - point) ** 2).sum(axis=1))) for point in given]]


def _in_order(edge: Edge, gaps: GapMap, numbers: list[int]) -> GapMap:
    total = float(edge.chain.lengths.sum())
    for at, gap, u, number in zip(gaps.at, gaps.gap, gaps.u, numbers, strict=True):
        if not -0.5 <= at <= total + 0.5:
            message = f"{gaps.source}, line {number}: {at:g} mm lies beyond the path, which is {total:.1f} mm long."
            raise InputError(message)
        if gap < 0 or u < 0:
            message = f"{gaps.source}, line {number}: a thickness and its u must not be negative; got {gap:g}, {u:g}."
            raise InputError(message)
    order = np.argsort(gaps.at, kind="stable")
    if len(np.unique(gaps.at)) < len(gaps.at):
        message = f"{gaps.source}: two thicknesses stand at the same place; keep one of them."
        raise InputError(message)
    return GapMap(gaps.at[order], gaps.gap[order], gaps.u[order], gaps.source, gaps.unit_assumed)


def _from_result(edge: Edge, path: Path, name: str) -> GapMap:
    results = read_results(path)
    other = [feature for feature in results.features if feature.name == name]
    if not other:
        known = ", ".join(feature.name for feature in results.features[:8]) or "none"
        message = f"{path}: name the other side as {path.name}@NAME; got '{name}', and it holds {known}."
        raise InputError(message)
    if other[0].name == edge.feature.name and np.array_equal(other[0].values, edge.feature.values):
        message = f"{path}: '{name}' is the seal's own path; name the other side of the gap."
        raise InputError(message)
    if other[0].kind == "plane":
        return _to_plane(edge, other[0], f"{path}@{name}")
    if other[0].kind not in ("path", "line", "arc", "circle"):
        message = (
            f"{path}: '{name}' is a {other[0].kind}; the gap can be measured to a path, line, arc, circle or plane."
        )
        raise InputError(message)
    return measured_gaps(edge, sample_feature(other[0]), f"{path}@{name}")


def _samples(edge: Edge) -> tuple[FloatArray, Body, list[int]]:
    """Lengths along the edge every 10 mm, the edge's own sampled points, and which of them are nearest to each."""
    total = float(edge.chain.lengths.sum())
    along = np.linspace(0, total, max(2, math.ceil(total / _STEP) + 1))
    along = along[:-1] if edge.closed else along
    body, places = sample_feature(edge.feature), edge.places(along)
    return along, body, [int(np.argmin(((body.xyz - place) ** 2).sum(axis=1))) for place in places]


def measured_gaps(edge: Edge, other: Body, source: str) -> GapMap:
    """Distance (mm) from the edge, every 10 mm, to the nearest point of the other side, with u from both sides' errors.

    Errors that both share by name and capture are not taken to cancel here unless they come from one result.
    """
    from scipy.spatial import cKDTree

    along, body, nearest = _samples(edge)
    places = edge.places(along)
    gap, found = cKDTree(other.xyz).query(places)
    u = np.empty(len(along))
    for i, (here, there) in enumerate(zip(nearest, found, strict=True)):
        direction = (other.xyz[there] - places[i]) / max(float(gap[i]), 1e-9)
        ours, theirs = body.shared_at(here), other.shared_at(int(there))
        moves = [
            float(direction @ (theirs.get(name, np.zeros(3)) - ours.get(name, np.zeros(3))))
            for name in {**ours, **theirs}
        ]
        u[i] = math.sqrt(sum(move**2 for move in moves) + float(other.noise[there]) ** 2)
    return GapMap(along, gap, u, source)


def _to_plane(edge: Edge, plane: Feature, source: str) -> GapMap:
    """Distance (mm) from the edge to a plane, with u from both sides' errors."""
    along, body, nearest = _samples(edge)
    point, normal = plane.vector(("x", "y", "z")), plane.vector(("nx", "ny", "nz"))
    reach = edge.places(along) - point
    gap = reach @ normal
    u = np.empty(len(along))
    for i, here in enumerate(nearest):
        slope = math.copysign(1.0, gap[i]) * np.concatenate([-normal, reach[i]])
        theirs = dict(zip(plane.shared_names, plane.shared[:, :6] @ slope, strict=True))
        ours = {name: math.copysign(1.0, gap[i]) * float(normal @ move) for name, move in body.shared_at(here).items()}
        moves = [theirs.get(name, 0.0) + ours.get(name, 0.0) for name in {**ours, **theirs}]
        u[i] = math.sqrt(sum(move**2 for move in moves) + float(slope @ plane.cov_own[:6, :6] @ slope))
    return GapMap(along, np.abs(gap), u, source)


def piece_at(edge: Edge, at: float) -> int:
    """Number (from 0) of the piece that lies `at` mm along the edge."""
    return int(locate(edge.chain, np.array([at]))[2][0])
