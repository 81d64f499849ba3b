"""Is the tip correction there once, and is the tip as large as said? Checks that need nothing but the touches.

Slot and block: an inside width measured without correction comes out small by the tip, an outside one large by it;
with the correction made twice it is the other way round (plain geometry; common practice, no source).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from capture.arm.tip import Tip, qualify
from capture.arm.touches import Touches
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.results import Notice
from fit.units import named_length

__all__ = ["BALLS", "check_tip", "slot_and_block", "tip_from_ball", "usual_ball"]

BALLS = (
    5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 16.0, 20.0, 25.0, 30.0, 38.1, 40.0, 50.0,
    6.35, 7.9375, 9.525, 12.7, 15.875, 19.05, 22.225, 25.4, 31.75, 50.8,
)  # fmt: skip
"""Usual diameters of gauge balls, mm: whole millimetres and fractions of an inch (common practice, no source)."""
_NEAR = 0.12
_RIGHT = 0.06
"""What a ball and a tip as typed are good to, mm, where a touch tells it as well (common practice, no source)."""
_MISTAKES = (
    (1, "made twice"),
    (-1, "missing"),
    (-2, "on the wrong side: i j k point to the surface"),
    (0.5, "made with twice the tip, as if its diameter had been doubled"),
)
"""How many tips a ball is short by, and what that tells."""
_LARGEST_BALL = 1000.0  # mm


def check_tip(features: Sequence[Feature], tip: Tip | None) -> list[Notice]:
    """Notice `tip-side` where balls, or a slot and a block of the same stem, are right only with the correction undone
    or made again."""
    notices = []
    if tip and (text := _ball_text([f for f in features if f.kind == "sphere"], tip)):
        notices.append(Notice("tip-side", text))
    if tip:
        notices += _pairs(features, tip)
    return notices


def _ball_text(balls: Sequence[Feature], tip: Tip) -> str | None:
    """Balls are sold in few sizes: all of them a tip too small or too large betrays the correction."""
    if not balls or all(_stock(ball, 0.0) for ball in balls):
        return None
    for shift, word in _MISTAKES:
        found = [_stock(ball, shift * tip.diameter) for ball in balls]
        if all(found) and not all(
            _is_whole(b["diameter"]) and not _is_whole(f) for b, f in zip(balls, found, strict=True)
        ):
            return (
                f"{balls[0].name}: diameter {balls[0]['diameter']:.2f} mm is no usual ball, but {found[0]} mm is one, "
                f"{abs(shift) * tip.diameter:g} mm away: the tip correction looks {word}. Check --points, --tip, i j k."
            )
    return None


def _is_whole(size: float | None) -> bool:
    """Whether a ball is one of whole millimetres, which is no inch ball touched wrongly."""
    return size is not None and abs(size - round(size)) < _NEAR / 2


def _stock(ball: Feature, shift: float) -> float | None:
    size = ball.value("diameter")
    found = usual_ball(size.value + shift, size.u95)
    return found if found is not None and abs(size.value + shift - found) < max(_RIGHT, size.u95) else None


def usual_ball(diameter: float, u95: float) -> float | None:
    """The usual ball that a measured diameter, mm, is; None where it is none."""
    limit = min(max(_NEAR, u95), 3 * _NEAR)
    nearest = min(BALLS, key=lambda stock: abs(diameter - stock))
    return nearest if abs(diameter - nearest) < limit else None


def _pairs(features: Sequence[Feature], tip: Tip) -> list[Notice]:
    """Features named alike but for slot and block: the same gauge touched inside and outside."""
    slots: Mapping[str, Feature] = {_stem(f.name, "slot"): f for f in features if "slot" in f.name.lower()}
    notices = []
    for block in features:
        partner = slots.get(_stem(block.name, "block")) if "block" in block.name.lower() else None
        if partner is None or "width" not in {*partner.order} | {*block.order}:
            continue
        text = slot_and_block(_width(partner), _width(block), tip.diameter)
        notices += [Notice("tip-side", f"{partner.name} and {block.name}: {text}", block.name)] if text else []
    return notices


def _stem(name: str, word: str) -> str:
    return re.sub(word, "", name.lower())


def _width(feature: Feature) -> float:
    return feature["width"] if "width" in feature.order else feature["diameter"]


def slot_and_block(slot: float, block: float, tip: float) -> str | None:
    """What a slot's inside and a block's outside width, mm, of the same true size say of the correction; None: right.

    Missing, the slot is small and the block large by a tip; made twice, the other way round.
    """
    apart = (block - slot) / (2 * tip)
    if abs(apart) < 0.25:
        return None
    word = "missing" if apart > 0 else "made twice"
    return f"the slot reads {slot:.2f} mm and the block {block:.2f} mm; the tip correction looks {word}."


def tip_from_ball(touches: Touches, asked: str, tip: Tip | None) -> tuple[Tip, list[Notice]]:
    """Tip diameter from touches on a ball, ``NAME`` or ``NAME=DIAMETER`` in mm.

    Without a diameter the nearest usual ball to the touched size less --tip is taken, and said. A typed tip that the ball
    contradicts is told of.

    Raises InputError where the ball is not in the lists, or where its diameter is neither said nor plain.
    """
    name, _, said = asked.partition("=")
    rows = touches.rows(name)
    if not len(rows):
        message = f"--tip-ball {asked}: no feature is named '{name}'; there are {', '.join(touches.names[:12])}."
        raise InputError(message)
    centres = touches.points.select(rows)
    try:
        ball = _said(asked, said) if said else _usual(name, centres, tip)
        found = qualify(centres, ball)
    except CannotDetermine as error:
        message = f"--tip-ball {asked}: {error}"
        raise CannotDetermine(message) from error
    text = (
        f"Tip diameter {found.diameter:.3f} mm ± {1.96 * found.u:.3f} mm from {len(rows)} touches on {name}, "
        f"taken as a ball of {ball:g} mm."
    )
    return found, [Notice("tip-qualified", text, name), *_contradicted(found, tip, name)]


def _contradicted(found: Tip, typed: Tip | None, ball: str) -> list[Notice]:
    if typed is None or abs(found.diameter - typed.diameter) < 3 * math.hypot(found.u, typed.u):
        return []
    text = (
        f"--tip says {typed.diameter:g} mm, but the touches on {ball} give {found.diameter:.3f} mm, which is taken. "
        "Measure tip and ball with a micrometer: one of the two diameters is wrong."
    )
    return [Notice("tip-side", text, ball)]


def _said(asked: str, said: str) -> float:
    ball = named_length(said, f"--tip-ball {asked}").value
    if not 0 < ball < _LARGEST_BALL:
        message = f"--tip-ball {asked}: the ball's diameter must be above 0 and below {_LARGEST_BALL:g} mm."
        raise InputError(message)
    return ball


def _usual(name: str, centres: object, tip: Tip | None) -> float:
    from fit.shapes import fit_sphere

    whole = fit_sphere(centres)["diameter"]  # type: ignore[arg-type]
    if tip is not None:
        near = min(BALLS, key=lambda ball: abs(whole - tip.diameter - ball))
        if abs(whole - tip.diameter - near) < _NEAR:
            return near
    message = (
        f"--tip-ball {name}: the touches give ball and tip together, {whole:.3f} mm; say the ball's own diameter with "
        f"--tip-ball {name}=DIAMETER (mm)."
    )
    raise InputError(message)
