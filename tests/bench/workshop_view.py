"""What every pixel of a workshop photo sees: the plate, the print, the bench; one ray where all is flat, many at edges."""

from __future__ import annotations

import math

import numba as nb
import numpy as np
import workshop_solid as ws
from workshop_light import chance, in_map
from workshop_metal import read_face, wall_look

from fit.points import FloatArray

FACE, WALL, INK, PAPER, BENCH = 1, 2, 4, 5, 6


def marker_bits(piece) -> np.ndarray:
    """Ink (1) of each printed square (rows, columns, 7, 7) that holds a marker; -1 unprinted, 2 black square."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    bits = np.full((piece.rows, piece.columns, 7, 7), -1, np.int8)
    for row in range(piece.rows):
        for column in range(piece.columns):
            if piece.printed(column, row) and (row + column) % 2 == 0:
                bits[row, column] = 2
    for number, (column, row) in piece.marker_cells().items():
        bits[row, column] = cv2.aruco.generateImageMarker(dictionary, number, 7, borderBits=1) == 0
    return bits


def packed(prints) -> tuple[np.ndarray, np.ndarray]:
    """All printed pieces: bits (pieces, rows, columns, 7, 7); rows of place (4), scale (2), square, marker, paper (4)."""
    rows, columns = max(p.piece.rows for p in prints), max(p.piece.columns for p in prints)
    bits = np.full((len(prints), rows, columns, 7, 7), -1, np.int8)
    for one, p in zip(bits, prints, strict=True):
        one[: p.piece.rows, : p.piece.columns] = marker_bits(p.piece)
    table = [
        (math.cos(p.turn), math.sin(p.turn), *p.shift, *p.scale, p.piece.square, p.piece.marker, *p.paper)
        for p in prints
    ]
    return bits, np.array(table, float)


@nb.njit(cache=True)
def on_print(bits, table, x, y):
    """What lies at a place of the bench, x right and y down: the ink or the paper of a print, or nothing (0)."""
    for k in range(len(table)):
        g = table[k]
        dx, dy = x - g[2], y - g[3]
        u, v = g[0] * dx + g[1] * dy, g[0] * dy - g[1] * dx
        if g[8] < u < g[10] and g[9] < v < g[11]:
            return INK if inked(bits[k], u / g[4], v / g[5], g[6], g[7]) else PAPER
    return 0


@nb.njit(cache=True)
def inked(bits, x, y, square, marker):
    """Whether a place of the nominal print, x right and y down from its corner, is black."""
    column, row = math.floor(x / square), math.floor(y / square)
    if row < 0 or column < 0 or row >= bits.shape[0] or column >= bits.shape[1] or bits[row, column, 0, 0] == -1:
        return False
    if bits[row, column, 0, 0] == 2:
        return True
    gap = (square - marker) / 2
    u, v = (x - square * column - gap) / marker * 7, (y - square * row - gap) / marker * 7
    if u < 0 or v < 0 or u >= 7 or v >= 7:
        return False
    return bits[row, column, int(v), int(u)] == 1


@nb.njit(cache=True)
def grain(x, y, seed):
    """Smooth noise, about -1 to 1, one wave per unit."""
    i, j = math.floor(x), math.floor(y)
    u, v = x - i, y - j
    u, v = u * u * (3 - 2 * u), v * v * (3 - 2 * v)
    i, j = int(i) + 40000, int(j) + 40000
    a, b = chance(seed, i, j), chance(seed, i + 1, j)
    c, d = chance(seed, i, j + 1), chance(seed, i + 1, j + 1)
    return 2 * ((a * (1 - u) + b * u) * (1 - v) + (c * (1 - u) + d * u) * v) - 1


@nb.njit(cache=True)
def brushed(p, q, seed):
    """Lean of the brush marks in standard deviations: long along p, fine across q (mm)."""
    total = 0.42 * grain(p / 25, q / 0.28, seed) + 0.55 * grain(p / 45, q / 0.7, seed + 1)
    return (total + 0.65 * grain(p / 70, q / 2.1, seed + 2) + 0.5 * grain(p / 120, q / 7, seed + 3)) * 1.6


@nb.njit(cache=True)
def bench_tone(kind, x, y, seed, out):
    """Reflectance of the bench: planks of wood, or grey board with scratches."""
    if kind == 0:
        plank = math.floor(y / 95.0)
        edge = y - 95.0 * plank
        p, q = x + 37 * plank, y + 13.7 * plank
        g = grain(p / 60, q / 0.9, seed) + 0.8 * grain(p / 110, q / 3.0, seed + 1) + grain(p / 200, q / 11, seed + 2)
        level = 1 + 0.11 * g + 0.08 * (chance(seed, int(plank) + 1000, 5) - 0.5)
        if edge < 0.9:
            level *= 0.3
        out[0], out[1], out[2] = 0.33 * level, 0.24 * level, 0.155 * level
    else:
        level = 1 + 0.10 * grain(x / 0.5, y / 0.5, seed) + 0.07 * grain(x / 2.0, y / 2.0, seed + 1)
        level += 0.06 * grain(x / 30, y / 30, seed + 2)
        out[0], out[1], out[2] = 0.24 * level, 0.245 * level, 0.255 * level


@nb.njit(cache=True)
def ray_of(camera, u, v):
    """Direction in part coordinates of a pixel's ray: the lens undone by steps, to far below a thousandth of a pixel."""
    fx, fy, cx, cy, k1, k2, p1, p2, k3 = camera[:9]
    xd, yd = (u - cx) / fx, (v - cy) / fy
    x, y = xd, yd
    for _ in range(9):
        r2 = x * x + y * y
        radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
        ax = 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        ay = p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        x, y = (xd - ax) / radial, (yd - ay) / radial
    m = camera[12:]
    return m[0] * x + m[1] * y + m[2], m[3] * x + m[4] * y + m[5], m[6] * x + m[7] * y + m[8]


@nb.njit(cache=True)
def look_along(scene, camera, u, v, seed, out):
    """What a pixel coordinate sees: its kind; radiance into out. The scene is one flat tuple: numba nests none in a prange."""
    solid, maps, face = scene[:9], scene[9:15], scene[15:18]
    lights, room, walls, tones, bits, prints, place, settings = scene[18:]
    ex, ey, ez = camera[9], camera[10], camera[11]
    dx, dy, dz = ray_of(camera, u, v)
    size = math.sqrt(dx * dx + dy * dy + dz * dz)
    dx, dy, dz = dx / size, dy / size, dz / size
    kind, t = ws.walk(solid, ex, ey, ez, dx, dy, dz, 1e5)
    x, y, z = ex + t * dx, ey + t * dy, ez + t * dz
    seed_ = int(settings[0])
    if kind == ws.FACE:
        table, low, step = face
        look = tones[3]
        p, q = look[8] * x + look[9] * y, look[8] * y - look[9] * x
        lean = settings[1] * brushed(p, q, seed_) if settings[1] > 0 else 0.0
        read_face(table, low, step, x, y, lean, out)
        level = 1 + settings[2] * (grain(x / 0.35, y / 0.35, seed_ + 7) + grain(x / 1.3, y / 1.3, seed_ + 8))
        level += 1.2 * settings[2] * grain(x / 9, y / 9, seed_ + 9)
        for c in range(3):
            out[c] *= level
        return FACE
    if kind == ws.WALL:
        eye = camera[9:12]
        wall_look(solid, lights, room, maps, walls, tones[0, :3], tones[4], eye, x, y, z, seed, out)
        return WALL
    t = (-solid[8] - ez) / dz
    x, y = ex + t * dx, ey + t * dy
    xw, yw = place[0] * x + place[1] * y + place[2], place[1] * x - place[0] * y + place[3]
    in_map(maps, x, y, out)
    printed = on_print(bits, prints, xw, yw)
    if printed:
        fibre = 1 + 0.006 * grain(xw / 0.25, yw / 0.25, seed_ + 20) + 0.004 * grain(xw / 3, yw / 3, seed_ + 21)
        for c in range(3):
            out[c] *= (tones[1, c] if printed == INK else tones[0, c] * fibre) / math.pi
        return printed
    tone = np.empty(3)
    t = (-solid[8] - 0.1 - ez) / dz
    turn = settings[4]
    x, y = ex + t * dx, ey + t * dy
    p, q = x * math.cos(turn) + y * math.sin(turn), y * math.cos(turn) - x * math.sin(turn)
    bench_tone(int(settings[3]), p, q, seed_ + 30, tone)
    for c in range(3):
        out[c] *= tone[c] / math.pi
    return BENCH


@nb.njit(parallel=True, cache=True)
def first_look(scene, camera, width, height):
    picture = np.zeros((height, width, 3), np.float32)
    kinds = np.zeros((height, width), np.uint8)
    for j in nb.prange(height):
        out = np.empty(3)
        for i in range(width):
            kinds[j, i] = look_along(scene, camera, float(i), float(j), j * width + i, out)
            for c in range(3):
                picture[j, i, c] = out[c]
    return picture, kinds


@nb.njit(parallel=True, cache=True)
def looks(scene, camera, rows, columns, side, picture):
    """Pixels averaged over side² jittered places of their box."""
    for n in nb.prange(len(rows)):
        out, total = np.empty(3), np.zeros(3)
        for s in range(side * side):
            a, b = chance(n, s, 11 + side), chance(n, s, 12 + side)
            u, v = columns[n] - 0.5 + (s % side + a) / side, rows[n] - 0.5 + (s // side + b) / side
            look_along(scene, camera, u, v, n * 64 + s, out)
            total += out
        for c in range(3):
            picture[rows[n], columns[n], c] = total[c] / (side * side)


def seen(scene: tuple, camera: FloatArray, size: tuple[int, int], side: int = 5) -> np.ndarray:
    """The picture (height, width, 3) in linear light, before the lens blurs it."""
    import cv2

    picture, kinds = first_look(scene, camera, *size)
    ones = np.ones((3, 3), np.uint8)
    busy = (cv2.dilate(kinds, ones) != cv2.erode(kinds, ones)) | (kinds == WALL)
    busy = cv2.dilate(busy.astype(np.uint8), ones).astype(bool)
    flat = (kinds == FACE) & ~busy
    for where, many in ((flat, 2), (busy, side)):
        rows, columns = np.nonzero(where)
        looks(scene, camera, rows, columns, many, picture)
    return picture
