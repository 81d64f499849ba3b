"""How the sheet looks: its face (brushed or painted), its cut walls and its rounded edge.

Reflection is diffuse plus a microfacet lobe (GGX, wider across the brush than along it, Smith shadowing, Schlick's
Fresnel; formulas from memory of the usual textbooks). Nothing stands above the face, so its look is a smooth table over
place and lean of the brush marks; walls are traced wherever they are seen.
"""

from __future__ import annotations

import math

import numba as nb
import numpy as np
import workshop_solid as ws
from workshop_light import chance, in_map, room_at, wall_glow

LEANS = 9
LEAN_STEP = 0.025


@nb.njit(cache=True)
def lobe(nx, ny, nz, tx, ty, tz, vx, vy, vz, lx, ly, lz, along, across):
    """Microfacet reflection without its Fresnel factor, times the cosine to the light; second: half-vector · view."""
    nl, nv = nx * lx + ny * ly + nz * lz, nx * vx + ny * vy + nz * vz
    if nl <= 1e-4 or nv <= 1e-4:
        return 0.0, 1.0
    hx, hy, hz = lx + vx, ly + vy, lz + vz
    size = math.sqrt(hx * hx + hy * hy + hz * hz)
    hx, hy, hz = hx / size, hy / size, hz / size
    nh = nx * hx + ny * hy + nz * hz
    th = tx * hx + ty * hy + tz * hz
    bh2 = max(1 - nh * nh - th * th, 0.0)
    q = (th / along) ** 2 + bh2 / across**2 + nh * nh
    spread = 1 / (math.pi * along * across * q * q)
    a2 = along * across
    shade = 4 * nl * nv / ((nl + math.sqrt(a2 + (1 - a2) * nl * nl)) * (nv + math.sqrt(a2 + (1 - a2) * nv * nv)))
    return spread * shade / (4 * nv), vx * hx + vy * hy + vz * hz


@nb.njit(cache=True)
def fresnel(base, cosine):
    return base + (1 - base) * (1 - min(max(cosine, 0.0), 1.0)) ** 5


@nb.njit(cache=True)
def half_vector(nx, ny, nz, tx, ty, tz, along, across, u1, u2):
    """A facet's normal drawn from the lobe's spread."""
    a = 2 * math.pi * u1
    r = math.sqrt(u2 / max(1 - u2, 1e-6))
    s, b = r * along * math.cos(a), r * across * math.sin(a)
    bx, by, bz = ny * tz - nz * ty, nz * tx - nx * tz, nx * ty - ny * tx
    hx, hy, hz = nx + s * tx + b * bx, ny + s * ty + b * by, nz + s * tz + b * bz
    size = math.sqrt(hx * hx + hy * hy + hz * hz)
    return hx / size, hy / size, hz / size


@nb.njit(parallel=True, cache=True)
def face_table(lights, room, look, eye, low, step, shape):
    """Radiance of the face (rows, columns, LEANS, 3) over place and lean of the brush marks across the brush."""
    out = np.zeros((shape[1], shape[0], LEANS, 3))
    for j in nb.prange(shape[1]):
        for i in range(shape[0]):
            x, y = low[0] + i * step, low[1] + j * step
            for k in range(LEANS):
                lean = (k - LEANS // 2) * LEAN_STEP
                nx, ny, nz = -lean * look[9], lean * look[8], math.sqrt(1 - lean * lean)
                flat_look(lights, room, look, eye, x, y, nx, ny, nz, j * 100000 + i * 10 + k, out[j, i, k])
    return out


@nb.njit(cache=True)
def flat_look(lights, room, look, eye, x, y, nx, ny, nz, seed, out):
    vx, vy, vz = eye[0] - x, eye[1] - y, eye[2]
    far = math.sqrt(vx * vx + vy * vy + vz * vz)
    vx, vy, vz = vx / far, vy / far, vz / far
    tx, ty, tz = look[8], look[9], 0.0
    tone = np.empty(3)
    for k in range(len(lights)):
        g = lights[k]
        area = 4 * math.sqrt(g[3] ** 2 + g[4] ** 2 + g[5] ** 2) * math.sqrt(g[6] ** 2 + g[7] ** 2 + g[8] ** 2)
        for s in range(576):
            a = 2 * (s % 24 + chance(seed, s, 5 * k)) / 24 - 1
            b = 2 * (s // 24 + chance(seed, s, 5 * k + 1)) / 24 - 1
            lx, ly, lz = g[0] + a * g[3] + b * g[6] - x, g[1] + a * g[4] + b * g[7] - y, g[2] + a * g[5] + b * g[8]
            far2 = lx * lx + ly * ly + lz * lz
            far = math.sqrt(far2)
            lx, ly, lz = lx / far, ly / far, lz / far
            facing = -(lx * g[9] + ly * g[10] + lz * g[11])
            if lz <= 0 or facing <= 0:
                continue
            weight = area * facing / far2 / 576
            shine, cosine = lobe(nx, ny, nz, tx, ty, tz, vx, vy, vz, lx, ly, lz, look[6], look[7])
            for c in range(3):
                out[c] += g[12 + c] * weight * (look[c] / math.pi * lz + fresnel(look[3 + c], cosine) * shine)
    for s in range(192):
        u1, u2 = (s + chance(seed, s, 71)) / 192, chance(seed, s, 72)
        r = math.sqrt(u2)
        room_at(room, r * math.cos(2 * math.pi * u1), r * math.sin(2 * math.pi * u1), math.sqrt(1 - u2), tone)
        for c in range(3):
            out[c] += look[c] * tone[c] / 192
        hx, hy, hz = half_vector(nx, ny, nz, tx, ty, tz, look[6], look[7], u1, chance(seed, s, 73))
        hv = hx * vx + hy * vy + hz * vz
        lx, ly, lz = 2 * hv * hx - vx, 2 * hv * hy - vy, 2 * hv * hz - vz
        if lz > 0:
            room_at(room, lx, ly, lz, tone)
            for c in range(3):
                out[c] += fresnel(look[3 + c], hv) * tone[c] / 192


@nb.njit(cache=True)
def read_face(table, low, step, x, y, lean, out):
    """The face's radiance between the table's places and leans."""
    u, v = (x - low[0]) / step, (y - low[1]) / step
    i, j = min(max(int(u), 0), table.shape[1] - 2), min(max(int(v), 0), table.shape[0] - 2)
    w = min(max(lean / LEAN_STEP + LEANS // 2, 0.0), LEANS - 1.001)
    k = int(w)
    u, v, w = u - i, v - j, w - k
    for c in range(3):
        a = (table[j, i, k, c] * (1 - u) + table[j, i + 1, k, c] * u) * (1 - v)
        a += (table[j + 1, i, k, c] * (1 - u) + table[j + 1, i + 1, k, c] * u) * v
        b = (table[j, i, k + 1, c] * (1 - u) + table[j, i + 1, k + 1, c] * u) * (1 - v)
        b += (table[j + 1, i, k + 1, c] * (1 - u) + table[j + 1, i + 1, k + 1, c] * u) * v
        out[c] = a * (1 - w) + b * w


@nb.njit(cache=True)
def arriving(solid, room, maps, walls, paper, x, y, z, dx, dy, dz, out):
    """Radiance along a ray that leaves the sheet: room, paper, or another wall. The lights are not in it."""
    kind, t = ws.walk(solid, x, y, z, dx, dy, dz, 1e5)
    if kind != ws.MISS:
        nx, ny = ws.normal(solid, x + t * dx, y + t * dy)
        wall_glow(walls, nx, ny, out)
        for c in range(3):
            out[c] *= 0.6
    elif dz > 1e-3:
        room_at(room, dx, dy, dz, out)
    else:
        t = (-solid[8] - z) / min(dz, -1e-6)
        in_map(maps, x + t * dx, y + t * dy, out)
        for c in range(3):
            out[c] *= paper[c] / math.pi


@nb.njit(cache=True)
def wall_look(solid, lights, room, maps, walls, paper, look, eye, x, y, z, seed, out):
    """Radiance (3,) of a wall or the rounding at a place towards the eye; few samples: a pixel takes many such looks."""
    nx, ny, nz = ws.facing(solid, x, y, z)
    tx, ty, tz = -ny, nx, 0.0
    size = max(math.hypot(tx, ty), 1e-9)
    tx, ty = tx / size, ty / size
    bx, by, bz = ny * tz - nz * ty, nz * tx - nx * tz, nx * ty - ny * tx
    vx, vy, vz = eye[0] - x, eye[1] - y, eye[2] - z
    far = math.sqrt(vx * vx + vy * vy + vz * vz)
    vx, vy, vz = vx / far, vy / far, vz / far
    x, y, z = x + 2e-3 * nx, y + 2e-3 * ny, z + 2e-3 * nz
    out[:] = 0.0
    tone = np.empty(3)
    for k in range(len(lights)):
        g = lights[k]
        area = 4 * math.sqrt(g[3] ** 2 + g[4] ** 2 + g[5] ** 2) * math.sqrt(g[6] ** 2 + g[7] ** 2 + g[8] ** 2)
        for s in range(9):
            a = 2 * (s % 3 + chance(seed, s, 5 * k)) / 3 - 1
            b = 2 * (s // 3 + chance(seed, s, 5 * k + 1)) / 3 - 1
            lx, ly, lz = g[0] + a * g[3] + b * g[6] - x, g[1] + a * g[4] + b * g[7] - y, g[2] + a * g[5] + b * g[8] - z
            far2 = lx * lx + ly * ly + lz * lz
            far = math.sqrt(far2)
            lx, ly, lz = lx / far, ly / far, lz / far
            facing, cosine = -(lx * g[9] + ly * g[10] + lz * g[11]), lx * nx + ly * ny + lz * nz
            if cosine <= 0 or facing <= 0 or ws.walk(solid, x, y, z, lx, ly, lz, far)[0] != ws.MISS:
                continue
            shine, hv = lobe(nx, ny, nz, tx, ty, tz, vx, vy, vz, lx, ly, lz, look[6], look[7])
            for c in range(3):
                light = g[12 + c] * area * facing / far2 / 9
                out[c] += light * (look[c] / math.pi * cosine + fresnel(look[3 + c], hv) * shine)
    for s in range(6):
        u1, u2 = (s + chance(seed, s, 41)) / 6, chance(seed, s, 42)
        r, a = math.sqrt(u2), 2 * math.pi * u1
        p, q, w = r * math.cos(a), r * math.sin(a), math.sqrt(1 - u2)
        arriving(
            solid, room, maps, walls, paper, x, y, z,
            p * tx + q * bx + w * nx, p * ty + q * by + w * ny, p * tz + q * bz + w * nz, tone,
        )  # fmt: skip
        for c in range(3):
            out[c] += look[c] * tone[c] / 6
        hx, hy, hz = half_vector(nx, ny, nz, tx, ty, tz, look[6], look[7], chance(seed, s, 43), chance(seed, s, 44))
        hv = hx * vx + hy * vy + hz * vz
        lx, ly, lz = 2 * hv * hx - vx, 2 * hv * hy - vy, 2 * hv * hz - vz
        if lx * nx + ly * ny + lz * nz > 0 and hv > 0:
            arriving(solid, room, maps, walls, paper, x, y, z, lx, ly, lz, tone)
            for c in range(3):
                out[c] += fresnel(look[3 + c], hv) * tone[c] / 6
