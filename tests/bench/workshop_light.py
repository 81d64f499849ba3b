"""Light in the workshop: a window and a lamp as rectangles, a room all round, and what they do to paper and metal.

All in part coordinates, z up, compiled by numba. Lights are rows of 15: middle, two half sides, facing, radiance. The
room is a table of radiance by elevation and azimuth, without the lights. A material is a row of 12: diffuse colour,
mirror colour at normal incidence, roughness along and across the brush, brush direction (cosine, sine), and the
diffuse share of its cut wall; rows for face and wall.
"""

from __future__ import annotations

import math

import numba as nb
import numpy as np
import workshop_solid as ws

UP, ROUND = 48, 192


@nb.njit(cache=True, inline="always")
def chance(a, b, c):
    """A number in [0, 1) from three integers: the same picture whatever the threads do."""
    h = np.uint64(a) * np.uint64(0x9E3779B97F4A7C15) + np.uint64(b) * np.uint64(0xC2B2AE3D27D4EB4F)
    h += np.uint64(c) * np.uint64(0x165667B19E3779F9)
    h ^= h >> np.uint64(31)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(29)
    h *= np.uint64(0x94D049BB133111EB)
    h ^= h >> np.uint64(32)
    return float(h >> np.uint64(11)) / 9007199254740992.0


@nb.njit(cache=True)
def room_at(room, dx, dy, dz, out):
    """Radiance of the room in an upward direction, read between the table's entries."""
    size = math.sqrt(dx * dx + dy * dy + dz * dz)
    e = math.asin(min(max(dz / size, 0.0), 1.0)) / (math.pi / 2) * (UP - 1)
    a = (math.atan2(dy, dx) / (2 * math.pi) % 1.0) * ROUND
    i, j = min(int(e), UP - 2), int(a) % ROUND
    u, v = e - i, a - math.floor(a)
    k = (j + 1) % ROUND
    for c in range(3):
        low = room[i, j, c] * (1 - v) + room[i, k, c] * v
        high = room[i + 1, j, c] * (1 - v) + room[i + 1, k, c] * v
        out[c] = low * (1 - u) + high * u


@nb.njit(cache=True)
def in_map(maps, x, y, out):
    """Irradiance of the paper from the fine map where it is known, else from the coarse one."""
    coarse, fine, known, low, coarse_step, step = maps
    u, v = (x - low[0]) / step - 0.5, (y - low[1]) / step - 0.5
    i, j = math.floor(u), math.floor(v)
    if 0 <= i < known.shape[1] - 1 and 0 <= j < known.shape[0] - 1:
        a, b, c, d = known[j, i], known[j, i + 1], known[j + 1, i], known[j + 1, i + 1]
        if a >= 0 and b >= 0 and c >= 0 and d >= 0:
            u, v = u - i, v - j
            for k in range(3):
                out[k] = (fine[a, k] * (1 - u) + fine[b, k] * u) * (1 - v) + (fine[c, k] * (1 - u) + fine[d, k] * u) * v
            return
    u, v = (x - low[0]) / coarse_step - 0.5, (y - low[1]) / coarse_step - 0.5
    i = min(max(math.floor(u), 0), coarse.shape[1] - 2)
    j = min(max(math.floor(v), 0), coarse.shape[0] - 2)
    u, v = min(max(u - i, 0.0), 1.0), min(max(v - j, 0.0), 1.0)
    for k in range(3):
        low_row = coarse[j, i, k] * (1 - u) + coarse[j, i + 1, k] * u
        high_row = coarse[j + 1, i, k] * (1 - u) + coarse[j + 1, i + 1, k] * u
        out[k] = low_row * (1 - v) + high_row * v


@nb.njit(cache=True)
def wall_glow(walls, nx, ny, out):
    """Radiance that a wall facing (nx, ny) sends out, as others see it: unshadowed, from the table by azimuth."""
    j = int((math.atan2(ny, nx) / (2 * math.pi) % 1.0) * len(walls)) % len(walls)
    for c in range(3):
        out[c] = walls[j, c]


@nb.njit(cache=True)
def on_paper(solid, lights, room, walls, x, y, z, side, many, seed, out):
    """Irradiance (3,) of a level place: side² samples of each light, `many` of the room; one bounce off the sheet's walls."""
    out[:] = 0.0
    tone = np.empty(3)
    for k in range(len(lights)):
        g = lights[k]
        area = 4 * math.sqrt(g[3] ** 2 + g[4] ** 2 + g[5] ** 2) * math.sqrt(g[6] ** 2 + g[7] ** 2 + g[8] ** 2)
        total = 0.0
        for s in range(side * side):
            a = 2 * (s % side + chance(seed, s, 7 * k + 1)) / side - 1
            b = 2 * (s // side + chance(seed, s, 7 * k + 2)) / side - 1
            dx, dy, dz = g[0] + a * g[3] + b * g[6] - x, g[1] + a * g[4] + b * g[7] - y, g[2] + a * g[5] + b * g[8] - z
            far2 = dx * dx + dy * dy + dz * dz
            far = math.sqrt(far2)
            facing = -(dx * g[9] + dy * g[10] + dz * g[11]) / far
            if dz <= 0 or facing <= 0:
                continue
            if ws.walk(solid, x, y, z, dx / far, dy / far, dz / far, far)[0] == ws.MISS:
                total += facing * (dz / far) / far2
        for c in range(3):
            out[c] += total * area / (side * side) * g[12 + c]
    for s in range(many):
        a = 2 * math.pi * (s + chance(seed, s, 91)) / many
        r2 = chance(seed, s, 92)
        r = math.sqrt(r2)
        dx, dy, dz = r * math.cos(a), r * math.sin(a), math.sqrt(1 - r2)
        kind, t = ws.walk(solid, x, y, z, dx, dy, dz, 1e5)
        if kind == ws.MISS:
            room_at(room, dx, dy, dz, tone)
        else:
            nx, ny = ws.normal(solid, x + t * dx, y + t * dy)
            wall_glow(walls, nx, ny, tone)
        for c in range(3):
            out[c] += tone[c] * math.pi / many


@nb.njit(parallel=True, cache=True)
def coarse_map(solid, lights, room, walls, z, low, step, shape):
    out = np.empty((shape[1], shape[0], 3))
    for j in nb.prange(shape[1]):
        for i in range(shape[0]):
            x, y = low[0] + (i + 0.5) * step, low[1] + (j + 0.5) * step
            on_paper(solid, lights, room, walls, x, y, z, 12, 64, j * 65536 + i, out[j, i])
    return out


@nb.njit(parallel=True, cache=True)
def fine_map(solid, lights, room, walls, z, places, side):
    """Irradiance at places (n, 2); one just inside the contour is moved to just outside it, so that reads between hold."""
    out = np.empty((len(places), 3))
    for n in nb.prange(len(places)):
        x, y = places[n, 0], places[n, 1]
        d = ws.outside(solid, x, y)
        if d < 0.01:
            nx, ny = ws.normal(solid, x, y)
            x, y = x + (0.01 - d) * nx, y + (0.01 - d) * ny
        on_paper(solid, lights, room, walls, x, y, z, side, 48, n + 1234567, out[n])
    return out


@nb.njit(parallel=True, cache=True)
def texels(solid, low, step, shape, reach):
    """Signed distance (rows, columns) at the middles of the fine map's texels."""
    out = np.empty((shape[1], shape[0]), np.float32)
    for j in nb.prange(shape[1]):
        for i in range(shape[0]):
            out[j, i] = ws.outside(solid, low[0] + (i + 0.5) * step, low[1] + (j + 0.5) * step)
    return out


def light_maps(solid, lights, room, walls, low, size, steps=(0.15, 3.0)):
    """The paper's irradiance: coarse all over, fine where a sheet that lies on it is near enough to be felt."""
    z, (step, coarse_step) = -solid[8] + 1e-6, steps
    shape = np.ceil(size / coarse_step).astype(np.int64)
    coarse = coarse_map(solid, lights, room, walls, z, low, coarse_step, shape)
    fine_shape = np.ceil(size / step).astype(np.int64)
    gap = texels(solid, low, step, fine_shape, 0.0)
    wanted = (gap > -1.6 * step) & (gap < 9.0) & (solid[8] == solid[6])
    known = np.full(gap.shape, -1, np.int32)
    known[wanted] = np.arange(np.count_nonzero(wanted))
    rows, columns = np.nonzero(wanted)
    places = low + (np.column_stack([columns, rows]) + 0.5) * step
    fine = fine_map(solid, lights, room, walls, z, places, 8)
    return coarse, fine, known, low, coarse_step, step


@nb.njit(cache=True)
def glow_of_walls(lights, room, diffuse, mirror, paper, thick):
    """Rough radiance of vertical walls by azimuth (72, 3): lights and room unshadowed, and half of what the paper sends."""
    out = np.zeros((72, 3))
    tone, ground = np.empty(3), np.zeros(3)
    for s in range(256):
        a, r2 = 2 * math.pi * chance(s, 1, 1), chance(s, 1, 2)
        room_at(room, math.sqrt(r2) * math.cos(a), math.sqrt(r2) * math.sin(a), math.sqrt(1 - r2), tone)
        ground += tone * math.pi / 256
    for k in range(len(lights)):
        ground += _plain(lights[k], 0.0, 0.0, 1.0)
    for j in range(72):
        angle = (j + 0.5) / 72 * 2 * math.pi
        nx, ny = math.cos(angle), math.sin(angle)
        total = np.zeros(3)
        for s in range(256):
            a, r2 = math.pi * chance(s, j, 3), chance(s, j, 4)
            r = math.sqrt(r2)
            along, up, out_ = r * math.cos(a), r * math.sin(a), math.sqrt(1 - r2)
            room_at(room, out_ * nx - along * ny, out_ * ny + along * nx, up, tone)
            total += tone * math.pi / 2 / 256
        for k in range(len(lights)):
            total += _plain(lights[k], nx, ny, 0.0)
        total += paper * ground * 0.35
        for c in range(3):
            out[j, c] = total[c] / math.pi * (diffuse[c] + 0.6 * mirror[c])
    return out


@nb.njit(cache=True)
def _plain(g, nx, ny, nz):
    """Irradiance (3,) of a small flat place at the origin from one light, as if it were a point."""
    area = 4 * math.sqrt(g[3] ** 2 + g[4] ** 2 + g[5] ** 2) * math.sqrt(g[6] ** 2 + g[7] ** 2 + g[8] ** 2)
    far2 = g[0] ** 2 + g[1] ** 2 + g[2] ** 2
    far = math.sqrt(far2)
    seen = max((g[0] * nx + g[1] * ny + g[2] * nz) / far, 0.0)
    facing = max(-(g[0] * g[9] + g[1] * g[10] + g[2] * g[11]) / far, 0.0)
    return g[12:15] * (area * seen * facing / far2)
