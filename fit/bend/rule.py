"""Which rule places the neutral line: a number, the shop's coupon, or a published rule by its name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.bend.allowance import din_deduction, din_k, trade_allowance
from fit.bend.coupon import LARGEST_K, Coupon, read_coupon
from fit.bend.flat import Input
from fit.bend.tables import k_choices
from fit.errors import InputError
from fit.points import FloatArray
from fit.results import Notice

__all__ = ["ASSUMED", "KRule", "Setting", "rule_of"]

ASSUMED = 0.05
"""± of a K without anything better behind it. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What a rule needs to know: angles rad (n), radii mm (1 or n), thickness mm, material, file of coupons."""

    angles: Sequence[float]
    radius: Sequence[float]
    thickness: float
    material: str | None = None
    coupons: str | None = None


@dataclass(frozen=True, eq=False, slots=True)
class KRule:
    """K of each bend, the error they share, the rule in words with its source, and the coupon it came from."""

    k: tuple[float, ...]
    error: Input
    words: str
    notices: tuple[Notice, ...] = ()
    coupon: Coupon | None = None


def rule_of(text: str | None, setting: Setting) -> KRule:
    """Read ``--k``: numbers (with ± if known), ``coupon:NAME``, ``din``, ``faa``, ``handbook:MATERIAL``, ``table:…``.

    Raises InputError where nothing is chosen: published values differ, so none is a silent default.
    """
    if not text:
        raise InputError(_choices(setting))
    word, _, name = text.partition(":")
    word = word.strip().lower()
    if word == "coupon":
        return _coupon(name.strip(), setting)
    if word == "din":
        return _din(setting)
    if word == "faa":
        return _faa(setting)
    if word in ("handbook", "table", "shop"):
        return _published(word, name.strip() or setting.material or "", setting)
    return _typed(text)


def _choices(setting: Setting) -> str:
    said = "No K-factor is chosen; sheets and tools differ, so give --k coupon:NAME (best), a number, din or faa"
    if not setting.material:
        return f"{said}, handbook:MATERIAL or table:MATERIAL."
    try:
        rows = k_choices(setting.material, setting.thickness)
    except InputError:
        rows = []
    told = ", ".join(f"{row.rule}:{setting.material} (K {row.k:.2f})" for row in rows)
    return f"{said}{', or ' + told if told else ''}."


def _typed(text: str) -> KRule:
    from fit.units import parse_length

    try:
        figures = [parse_length(part) for part in text.split(",")]
    except InputError as error:
        raise InputError(_not_a_rule(text)) from error
    if any(not 0 <= figure.value <= LARGEST_K for figure in figures):
        message = f"--k {text}: K must be from 0 to {LARGEST_K:g}; the k of DIN 6935 is twice as large: halve it."
        raise InputError(message)
    limits = [figure.limit for figure in figures if figure.limit is not None]
    notices: tuple[Notice, ...] = ()
    if not limits:
        told = f"K was typed without ±; ±{ASSUMED:g} is carried (common practice, no source). A coupon narrows it."
        notices = (Notice("k-assumed", told),)
    doubt = Input(0.0, max(limits, default=ASSUMED))
    return KRule(tuple(figure.value for figure in figures), doubt, f"K typed: {text}", notices)


def _not_a_rule(text: str) -> str:
    return (
        f"--k '{text}': write a number such as 0.44±0.02, coupon:NAME, din, faa, handbook:MATERIAL or table:MATERIAL."
    )


def _coupon(name: str, setting: Setting) -> KRule:
    if not setting.coupons:
        message = f"--k coupon:{name} needs the file of coupons; give --coupons FILE."
        raise InputError(message)
    coupon = read_coupon(setting.coupons, name)
    notices = []
    if abs(coupon.thickness - setting.thickness) > 0.1 * setting.thickness:
        text = f"Coupon '{name}' is {coupon.thickness:g} mm sheet, the part {setting.thickness:g} mm; bend one of this sheet."
        notices.append(Notice("coupon-differs", text))
    if any(abs(radius - coupon.radius) > 0.5 * setting.thickness for radius in setting.radius):
        text = f"Coupon '{name}' has an inside radius of {coupon.radius:g} mm, the part another; K shifts with it."
        notices.append(Notice("coupon-differs", text))
    near = math.radians(5.0)
    same = (
        all(abs(r - coupon.radius) < 1e-6 for r in setting.radius) and abs(coupon.thickness - setting.thickness) < 1e-6
    )
    same = same and all(abs(abs(angle) - coupon.angle) < near for angle in setting.angles)
    u_k = coupon.u_k_same if same else coupon.u_k
    words = f"coupon '{name}': K {coupon.k:.3f} at R {coupon.radius:g}, T {coupon.thickness:g} mm"
    return KRule((coupon.k,), Input(0.0, u=u_k), words, tuple(notices), coupon)


def _bends(setting: Setting) -> tuple[FloatArray, FloatArray]:
    angles = np.abs(np.asarray(setting.angles, float))
    return angles, np.broadcast_to(np.asarray(setting.radius, float), angles.shape)


def _din(setting: Setting) -> KRule:
    angles, radius = _bends(setting)
    k = np.asarray(din_k(radius, setting.thickness)) / 2
    # Below 15° the standard takes no correction at all: then the allowance is twice the set-back.
    flat = angles < math.radians(15.0) - 1e-12
    if flat.any():
        whole = 2 * (radius + setting.thickness) * np.tan(angles / 2) - din_deduction(angles, radius, setting.thickness)
        k = np.where(flat, (whole / angles - radius) / setting.thickness, k)
    words = "DIN 6935:1975-10: K = k/2, k = 0.65 + 0.5 lg(r/s) to r/s 5, 1 above"
    return KRule(tuple(map(float, k)), Input(0.0, ASSUMED), words)


def _faa(setting: Setting) -> KRule:
    angles, radius = _bends(setting)
    k = (trade_allowance(angles, radius, setting.thickness) / angles - radius) / setting.thickness
    words = "FAA-H-8083-31A, chapter 4: BA = (0.01743 R + 0.0078 T) N"
    return KRule(tuple(map(float, np.asarray(k))), Input(0.0, ASSUMED), words)


def _published(word: str, material: str, setting: Setting) -> KRule:
    if not material:
        message = f"--k {word} needs the material; write {word}:MATERIAL."
        raise InputError(message)
    rows = [row for row in k_choices(material, setting.thickness) if row.rule == word]
    if not rows:
        message = (
            f"The {word} has no K-factor for {material} at {setting.thickness:g} mm; bend a coupon or give a number."
        )
        raise InputError(message)
    row = rows[0]
    limit = max(row.high - row.k, row.k - row.low)
    return KRule((row.k,), Input(0.0, limit), f"{word}: K {row.k:.3f} ({row.low:g} to {row.high:g}), {row.source}")
