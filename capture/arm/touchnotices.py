"""What a user should know about the touches of fitted features: turned round, out of shape, stray, unsteady."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from capture.arm.kinds import is_hole
from capture.arm.spread import Spread
from capture.arm.stations import Joined
from capture.arm.tip import surface_normals
from capture.arm.touched import Touched
from capture.arm.touches import Touches
from fit.feature import Feature
from fit.results import Notice

__all__ = ["told_of_ties", "told_of_touches"]

_ROUGH = 8.0
"""Times the scatter of a touch from which on a feature is no shape of its kind (common practice, no source)."""
_DIVIDED = 0.3
"""Share of i j k against the rest from which on a majority is no proof (common practice, no source)."""
_A_VISIT = 4
_SOME = 0.25
"""Touches in a row of which all but some are stray: no slip of the hand (common practice, no source)."""
_STEADIEST = 0.001
"""What no arm held by hand repeats to, mm (common practice, no source; a hundredth is good)."""
_ARM_SCATTER = 0.3
"""What a touch of a hobby arm scatters by at most, mm (common practice, no source)."""


def told_of_touches(touches: Touches, fitted: Sequence[Touched], spread: Spread | None) -> list[Notice]:
    """All notices, strays last."""
    told = [_turned_notice(touches, touched) for touched in fitted if touched.turned.any()]
    told += [_side_notice(t.feature.name) for t in fitted if is_hole(t.feature.name) and _is_outside(touches, t)]
    if spread:
        told += [_rough_notice(t.feature, spread.sigma) for t in fitted if t.feature.rms > _ROUGH * spread.sigma]
    told += _exact_notices(touches, [t.feature for t in fitted], spread)
    if spread and spread.sigma > _ARM_SCATTER:
        told.append(_scatter_notice(spread))
    told += [notice for t in fitted for notice in _moved_notices(touches, t)]
    return told + [_stray_notice(touches, t) for t in fitted if len(t.feature.rejected) > t.turned.sum()]


def told_of_ties(joined: Joined | None) -> list[Notice]:
    """What the ties show beyond their touches' scatter, and that the ± was widened for it."""
    if joined is None or joined.disagreement <= 1:
        return []
    worst = max(joined.checks, key=lambda check: check.ratio)
    size = worst.residual if worst.left_out is None else worst.left_out
    text = (
        f"The ties disagree between the stations by {joined.disagreement:.1f} times what their touches' scatter allows, "
        f"most of all {worst.name} ({size:.3f} mm); the ± of what was touched from other places than the first is "
        "widened to match."
    )
    return [Notice("ties-disagree", text)]


def _rough_notice(feature: Feature, sigma: float) -> Notice:
    article = "an" if feature.kind == "arc" else "a"
    text = (
        f"The touches lie off the {feature.kind} by {feature.rms:.2g} mm rms, where a touch scatters by {sigma:.2g} mm: "
        f"{feature.name} is out of shape, or another shape than {article} {feature.kind}. Look at its residuals."
    )
    return Notice("poor-fit", text, feature.name)


def _exact_notices(touches: Touches, features: Sequence[Feature], spread: Spread | None) -> list[Notice]:
    """Tell of features that their touches lie on closer than touches can, where no others say what a touch scatters by."""
    alone = spread is None or spread.sigma < _STEADIEST
    exact = [f.name for f in features if f.rms < _STEADIEST and (alone or f.name in touches.clouds)]
    if not exact:
        return []
    text = (
        f"No touch of {', '.join(exact[:12])}{' …' if len(exact) > 12 else ''} lies off its shape by as much as an arm "
        f"scatters (rms below {_STEADIEST:g} mm): are these typed or computed points? Their ± tells nothing of a real part."
    )
    return [Notice("exact-touches", text)]


def _scatter_notice(spread: Spread) -> Notice:
    text = (
        f"A touch scatters by {spread.sigma:.2g} mm, more than a steady arm does: is the unit right, was the tip tight, "
        "and did the part stand still?"
    )
    return Notice("touch-scatter", text)


def _turned_notice(touches: Touches, touched: Touched) -> Notice:
    name = touched.feature.name
    rows = touches.rows(name)[touched.turned]
    touch = "1 touch" if len(rows) == 1 else f"{len(rows)} touches"
    text = f"{touch} of {name} left out: i j k to the other side than the rest ({touches.where(rows)})."
    if len(rows) > _DIVIDED * len(touched.used):
        text += (
            f" With {len(rows)} of {len(touched.used)} against, the side itself is in doubt: on the other one the surface "
            "lies a tip's diameter away. Mend i j k."
        )
    return Notice("tip-side", text, name)


def _is_outside(touches: Touches, touched: Touched) -> bool:
    """Whether i j k say that the tip was outside a round feature."""
    feature = touched.feature
    direction = touches.points.normal[touches.rows(feature.name)]
    if feature.kind not in ("circle", "slot", "cylinder") or not np.isfinite(direction).any():
        return False
    out = surface_normals(feature, touched.points.xyz, direction)
    return bool(np.nanmedian(np.einsum("ij,ij->i", out, direction)) > 0)


def _side_notice(name: str) -> Notice:
    text = (
        f"{name}: by its name the tip was inside, but i j k say outside; if they are wrong, its size is two tips off. "
        "Check i j k, or its name."
    )
    return Notice("tip-side", text, name)


def _moved_notices(touches: Touches, touched: Touched) -> list[Notice]:
    """A feature come back to later in a list, whose touches are nearly all stray there: not the hand, but the base."""
    rows, name = touches.rows(touched.feature.name), touched.feature.name
    stray = ~touched.used & ~touched.turned
    runs = np.split(np.arange(len(rows)), np.flatnonzero(np.diff(rows) > 1) + 1)
    told = []
    for before, run in itertools.pairwise(runs):
        same_list = touches.files[rows[before[0]]] == touches.files[rows[run[0]]]
        turned_stray = stray[run].mean() >= 1 - _SOME and stray[before].mean() <= _SOME
        if same_list and min(len(before), len(run)) >= _A_VISIT and turned_stray:
            off = float(np.abs(touched.feature.residuals[run]).mean())
            start, count = touches.where(rows[run[:1]]), f"{stray[run].sum()} of {len(run)}"
            text = (
                f"{count} touches of {name} from {start} on are stray, {off:.2f} mm off the earlier ones: has the base or "
                "the part moved in between? Then what came after is a station of its own."
            )
            told.append(Notice("base-moved", text, name))
    return told


def _stray_notice(touches: Touches, touched: Touched) -> Notice:
    feature = touched.feature
    strays = feature.rejected[~touched.turned[feature.rejected]]
    rows = touches.rows(feature.name)[strays]
    worst = float(np.abs(feature.residuals[strays]).max())
    touch = "touch" if len(rows) == 1 else "touches"
    text = (
        f"{len(rows)} stray {touch} of {feature.name} left out, up to {worst:.2f} mm off the {feature.kind} "
        f"({touches.where(rows)})."
    )
    return Notice("stray-touch", text, feature.name)
