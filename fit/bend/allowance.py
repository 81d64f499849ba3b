"""Developed length of bends. Lengths mm, angles radians, bend angle = turn away from flat.

All functions take numbers or arrays that broadcast together and return the same shape.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from fit.errors import InputError
from fit.points import FloatArray

__all__ = [
    "bend_allowance",
    "bend_deduction",
    "din_deduction",
    "din_k",
    "flat_length",
    "handbook_allowance",
    "k_from_blank",
    "outside_setback",
    "trade_allowance",
]


def _positive(what: str, value: ArrayLike, least: float = 0.0, *, strict: bool = True) -> FloatArray:
    figures = np.asarray(value, float)
    good = np.isfinite(figures) & ((figures > least) if strict else (figures >= least))
    if not good.all():
        bad = figures[~good].flat[0]
        message = f"The {what} must be {'above' if strict else 'at least'} {least:g}; got {bad:g}."
        raise InputError(message)
    return figures


def _sheet(radius: ArrayLike, thickness: ArrayLike) -> tuple[FloatArray, FloatArray]:
    return _positive("inside radius, mm,", radius, strict=False), _positive("thickness, mm,", thickness)


def _bent(angle: ArrayLike, most_deg: float = 180.0) -> FloatArray:
    """The turn of a bend, without its sign."""
    turn = np.abs(np.asarray(angle, float))
    if not (np.isfinite(turn).all() and (turn > 0).all() and (turn <= math.radians(most_deg) + 1e-12).all()):
        message = f"A bend angle must be above 0° and at most {most_deg:g}°; got {np.degrees(np.max(turn)):g}°."
        raise InputError(message)
    return turn


def bend_allowance(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike, k: ArrayLike) -> FloatArray:
    """Length of the neutral line in a bend, mm: BA = A (R + K T).

    angle rad, radius inside mm, thickness mm, k = place of the neutral line from the inside over T, 0 to 1.
    Source: definition of the K-factor.
    """
    r, t = _sheet(radius, thickness)
    place = np.asarray(k, float)
    if not (np.isfinite(place).all() and (place >= 0).all() and (place <= 1).all()):
        message = f"K must be from 0 to 1; got {place if place.ndim == 0 else place.tolist()}."
        raise InputError(message)
    return np.asarray(_bent(angle) * (r + place * t))


def outside_setback(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike) -> FloatArray:
    """From the bend's start to the sharp outer corner, mm: (R + T) tan(A/2), A below 180°.

    Source: plane geometry; tan(A/2) is the FAA K-chart (FAA-H-8083-31A, chapter 4).
    """
    r, t = _sheet(radius, thickness)
    turn = _bent(angle)
    if (turn > math.radians(179.0)).any():
        message = "A bend of 180° has no sharp corner; give its legs to the outer tangent (--legs-to tangent)."
        raise InputError(message)
    return np.asarray((r + t) * np.tan(turn / 2))


def bend_deduction(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike, k: ArrayLike) -> FloatArray:
    """What two outside legs exceed their flat length by, mm: BD = 2 (R + T) tan(A/2) − A (R + K T).

    Legs run to the sharp outer corner. Source: definition.
    """
    return np.asarray(2 * outside_setback(angle, radius, thickness) - bend_allowance(angle, radius, thickness, k))


def trade_allowance(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike) -> FloatArray:
    """Aircraft-trade form, any one unit of length: BA = (0.01743 R + 0.0078 T) N, N the bend angle in degrees.

    It places the neutral line 0.4475 T from the inside. Source: FAA-H-8083-31A, chapter 4.
    """
    r, t = _sheet(radius, thickness)
    return np.asarray((0.01743 * r + 0.0078 * t) * np.degrees(_bent(angle)))


def handbook_allowance(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike, c: ArrayLike) -> FloatArray:
    """Handbook form: L = (c T + 1.57 R) A/90°, c 0.55 soft, 0.64 half-hard, 0.71 hard metals.

    Source: Machinery's Handbook, bending sheet metal (coefficients from memory).
    """
    r, t = _sheet(radius, thickness)
    return np.asarray((_positive("coefficient c", c) * t + 1.57 * r) * np.degrees(_bent(angle)) / 90)


def din_k(radius: ArrayLike, thickness: ArrayLike) -> FloatArray:
    """Correction factor k of DIN 6935: 0.65 + 0.5 lg(r/s) for r/s up to 5, 1 above; the K-factor is k/2.

    Source: DIN 6935:1975-10. Its formula holds for r/s from about 0.1; k is not let below 0.
    """
    r, t = _sheet(radius, thickness)
    ratio = np.maximum(r / t, 0.05)
    return np.asarray(np.where(ratio > 5, 1.0, np.clip(0.65 + 0.5 * np.log10(ratio), 0.0, 1.0)))


def din_deduction(angle: ArrayLike, radius: ArrayLike, thickness: ArrayLike, k: ArrayLike | None = None) -> FloatArray:
    """Length correction v of DIN 6935, mm; flat length = sum of outside legs − sum of v.

    v = 2 (r + s) − A (r + k s/2) for opening angles β up to 90° (bend angle A = 180° − β from 90° on; legs to the
    outer tangent), 2 (r + s) tan(A/2) − A (r + k s/2) up to β 165° (legs to the sharp corner), 0 above.
    k None: by `din_k`. Source: DIN 6935:1975-10.
    """
    r, t = _sheet(radius, thickness)
    turn = _bent(angle)
    factor = din_k(r, t) if k is None else np.asarray(k, float)
    arc = turn * (r + factor * t / 2)
    leg = np.where(turn >= math.pi / 2 - 1e-12, 1.0, np.tan(np.minimum(turn, math.pi / 2) / 2))
    value = 2 * (r + t) * leg - arc
    return np.asarray(np.where(turn < math.radians(15.0) - 1e-12, 0.0, value))


def flat_length(
    flats: ArrayLike, angles: ArrayLike, radius: ArrayLike, thickness: ArrayLike, k: ArrayLike
) -> FloatArray:
    """Flat length of a part from its straight pieces between bends, mm: Σ flats + Σ A (R + K T).

    flats (..., n + 1), angles, radius and k (..., n), thickness (..., 1) or a number; sums run over the last axis.
    """
    return np.asarray(np.sum(flats, axis=-1) + np.sum(bend_allowance(angles, radius, thickness, k), axis=-1))


def k_from_blank(blank: float, legs: tuple[float, float], angle: float, radius: float, thickness: float) -> float:
    """K-factor from one bent strip: K = ((blank − flats) / A − R) / T, flats = outside legs less set-backs.

    All mm and rad. Source: the definitions of set-back and bend allowance, solved for K.
    """
    length = float(_positive("blank length, mm,", blank))
    outside = _positive("legs, mm,", legs)
    setback = float(outside_setback(angle, radius, thickness))
    if (outside < setback).any():
        message = f"A leg of {outside.min():g} mm is shorter than the set-back {setback:.2f} mm; measure longer legs."
        raise InputError(message)
    allowance = length - float(outside.sum()) + 2 * setback
    return (allowance / float(_bent(angle)) - radius) / thickness
