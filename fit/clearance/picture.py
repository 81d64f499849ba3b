"""Pictures of a clearance: the gap over the travel, the tightest position on a sheet, and a coloured cloud."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from fit.clearance.clearance import Clearance
from fit.clearance.crossing import Crossing
from fit.clearance.motion import position_words
from fit.clearance.regions import patch_gaps
from fit.drawing.model import Circle, Drawing, Entity, Label, Line, Note, Spot, TitleBlock
from fit.points import FloatArray
from fit.report.chart import Chart, Level, Mark, chart_svg
from fit.units import MM_PER_INCH, format_length, in_unit

__all__ = ["coloured_ply", "gap_plot", "tightest_drawing"]

_MOST_POINTS, _MOST_DOTS = 200_000, 300
_COLOURS = np.array([[178, 24, 43], [244, 165, 40], [70, 160, 80], [44, 90, 160]], float)
_FAR = (170, 170, 170)


def gap_plot(found: Clearance, unit_out: str = "mm") -> str:
    """SVG of the gap over the travel: line, band of U95, smallest gap or deepest crossing, and the gap asked for."""
    swept = found.swept
    scale, unit = (1.0, "mm") if unit_out == "mm" else (1.0 / MM_PER_INCH, "in")
    known = [error is not None for error in swept.errors]
    u95 = np.array([0.0 if error is None else error.u95 for error in swept.errors]) if any(known) else None
    travelled = swept.motion.unit == "mm"
    wanted = found.margin.wanted
    chart = Chart(
        swept.motion.positions * (scale if travelled else 1.0),
        swept.gap * scale,
        {"deg": "opening, degrees", "mm": f"travel, {unit}", "pose": "pose"}[swept.motion.unit],
        f"smallest gap, {unit}",
        None if u95 is None else u95 * scale,
        [] if wanted is None else [Level(wanted * scale, f"asked for {format_length(wanted, None, unit_out)}")],
        [_mark(found, scale, unit_out)],
    )
    return chart_svg(chart)


def _mark(found: Clearance, scale: float, unit_out: str) -> Mark:
    """The smallest gap; or, where the parts cross, how deep, since the points' distance then means nothing."""
    swept, deepest = found.swept, found.deepest
    at = swept.tightest if deepest is None else deepest.at
    words = f"smallest {_gap_words(found, unit_out)}" if deepest is None else _crossing_words(deepest, unit_out)
    position = float(swept.motion.positions[at]) * (scale if swept.motion.unit == "mm" else 1.0)
    return Mark(position, float(swept.gap[at]) * scale, f"{words} at {position:.4g}")


def _gap_words(found: Clearance, unit_out: str) -> str:
    error = found.swept.errors[found.swept.tightest]
    gap = float(found.swept.gap[found.swept.tightest])
    return format_length(gap, None if error is None else error.u95, unit_out)


def _crossing_words(crossing: Crossing, unit_out: str) -> str:
    return f"parts cross by {format_length(crossing.depth, None, unit_out)}"


def tightest_drawing(found: Clearance, unit_out: str = "mm") -> Drawing:
    """The tightest position as a sheet: a slice of both parts around the closest pair, seen along the hinge (or
    square to slide and gap), and the gap."""
    swept, scene, at = found.swept, found.scene, found.swept.tightest
    origin = 0.5 * (swept.fixed_point[at] + swept.moving_point[at])
    turn, shift = swept.motion.pose(at)
    window = max(30.0, 5.0 * float(swept.gap[at]))
    box = np.array([window, window, 2.0 * max(found.spacing)])
    frame = _view(found)
    fixed, moving = (
        _slice((xyz - origin) @ frame.T, box) for xyz in (scene.fixed_tree.xyz, scene.moving_tree.xyz @ turn.T + shift)
    )
    size = window / 90.0
    entities: list[Entity] = [Circle(x, y, size, "reference") for x, y in fixed]
    for x, y in moving:
        entities += [Line(x - size, y - lean, x + size, y + lean, "mark") for lean in (size, -size)]
    entities += [_named(places, words, size) for places, words in ((fixed, "fixed"), (moving, "moving"))]
    (x1, y1, _), (x2, y2, _) = (swept.fixed_point[at] - origin) @ frame.T, (swept.moving_point[at] - origin) @ frame.T
    gap = _gap_words(found, unit_out)
    notes = [
        Note(f"Smallest gap {gap} at {in_unit(position_words(swept.motion, at), unit_out)}.", True),
        Note(
            f"Slice {2 * box[2]:.1f} mm thick through the closest pair, {2 * window:.0f} mm wide. Circles: fixed "
            "part. Crosses: moving part."
        ),
        Note("; ".join(filter(None, (found.margin.sum_words(unit_out), found.margin.verdict_words(unit_out)))) + "."),
    ]
    if (deepest := found.deepest) is not None:
        where = in_unit(position_words(swept.motion, deepest.at), unit_out)
        notes.insert(0, Note(f"{_crossing_words(deepest, unit_out).capitalize()} at {where}.", True))
    entities.append(Line(x1, y1, x2, y2, "reference"))
    return Drawing(
        entities=entities,
        spots=[Spot("gap", (x1 + x2) / 2, (y1 + y2) / 2, 0.0, gap)],
        notes=notes,
        title=TitleBlock(name="Clearance"),
        unit_out=unit_out,
        is_true=False,
    )


def _named(places: FloatArray, words: str, size: float) -> Label:
    """The name of a part beside the point of its slice that lies farthest from the gap."""
    x, y = places[int(np.argmax((places**2).sum(axis=1)))]
    return Label(float(x) + 2.0 * size, float(y) + 2.0 * size, words)


def _slice(local: FloatArray, box: FloatArray) -> FloatArray:
    """Places (n, 2) of the points inside a box about the origin, thinned."""
    inside = local[(np.abs(local) <= box).all(axis=1), :2]
    return inside[:: max(1, -(-len(inside) // _MOST_DOTS))]


def _view(found: Clearance) -> FloatArray:
    """Rows: right, up, towards the eye. The eye looks along the hinge, or square to the slide, but always square to the gap,
    so that it shows at full length."""
    swept, at = found.swept, found.swept.tightest
    gap = swept.moving_point[at] - swept.fixed_point[at]
    axis = swept.motion.axis[1] if swept.motion.axis is not None else np.array([0.0, 0.0, 1.0])
    eye = _square_to(gap, axis if swept.motion.kind == "hinge" else np.cross(gap, axis))
    up = np.array([0.0, 0.0, 1.0]) if abs(eye[2]) < 0.9 else np.array([0.0, 1.0, 0.0])
    right = np.cross(up, eye)
    right /= np.linalg.norm(right)
    return np.array([right, np.cross(eye, right), eye])


def _square_to(gap: FloatArray, wanted: FloatArray) -> FloatArray:
    """Unit vector square to the gap, as near to the wanted direction as that allows; from the front or above where the
    wanted one runs along the gap."""
    along = gap / max(float(np.linalg.norm(gap)), 1e-12)
    for direction in (wanted, np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0])):
        square = direction - (direction @ along) * along
        if np.linalg.norm(square) > 0.3 * max(float(np.linalg.norm(direction)), 1e-9):
            break
    return np.asarray(square / np.linalg.norm(square))


def coloured_ply(found: Clearance) -> bytes:
    """Binary PLY of both parts at the tightest position, coloured by the gap of each patch: red is the smallest gap,
    blue the farthest of the scale, grey beyond it. side is 0 for the fixed and 1 for the moving part."""
    swept, scene, at = found.swept, found.scene, found.swept.tightest
    turn, shift = swept.motion.pose(at)
    low = float(swept.gap[at])
    high = low + max(10.0, 2.0 * low, 6.0 * sum(found.spacing))
    on_moving = patch_gaps(scene.fixed_tree, scene.moving_tree, (turn, shift), high)
    on_fixed = patch_gaps(scene.moving_tree, scene.fixed_tree, (turn.T, -turn.T @ shift), high)
    xyz = np.concatenate([scene.fixed_tree.xyz, scene.moving_tree.xyz @ turn.T + shift])
    gaps = np.concatenate([on_fixed, on_moving])
    side = np.repeat(np.array([0, 1], np.uint8), [len(on_fixed), len(on_moving)])
    step = math.ceil(len(xyz) / _MOST_POINTS)
    return _ply(xyz[::step], gaps[::step], side[::step], (low, high), step)


def _ply(xyz: FloatArray, gaps: FloatArray, side: NDArray[np.uint8], scale: tuple[float, float], step: int) -> bytes:
    table = np.zeros(
        len(xyz),
        dtype=[
            ("x", "<f4"),
            ("y", "<f4"),
            ("z", "<f4"),
            ("red", "u1"),
            ("green", "u1"),
            ("blue", "u1"),
            ("side", "u1"),
            ("gap", "<f4"),
        ],
    )
    for k, key in enumerate("xyz"):
        table[key] = xyz[:, k]
    place = np.clip((gaps - scale[0]) / (scale[1] - scale[0]), 0, 1)
    far = place >= 1
    for k, key in enumerate(("red", "green", "blue")):
        table[key] = np.where(far, _FAR[k], np.interp(place, np.linspace(0, 1, 4), _COLOURS[:, k]))
    table["side"], table["gap"] = side, gaps
    kinds = {"<f4": "float", "|u1": "uchar"}
    header = ["ply", "format binary_little_endian 1.0", "comment unit mm"]
    header += [
        f"comment gap of each patch at the tightest position, red {scale[0]:.3f} to blue {scale[1]:.3f}, grey farther"
    ]
    header += [f"comment every {step}. point"] if step > 1 else []
    header += [
        f"element vertex {len(table)}",
        *(f"property {kinds[table.dtype[name].str]} {name}" for name in table.dtype.names or ()),
        "end_header",
    ]
    return ("\n".join(header) + "\n").encode() + table.tobytes()
