"""The shop's own coupon: a strip of the job's sheet, bent with the job's tool and measured; kept under a name."""

from __future__ import annotations

import json
import math
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from fit.bend.allowance import bend_deduction, k_from_blank
from fit.bend.flat import Input
from fit.errors import CannotDetermine, InputError, OutputError

__all__ = ["LARGEST_K", "Coupon", "coupon_of_measures", "read_coupon", "store_coupon"]

LARGEST_K = 0.6
"""No sheet has a larger K; the neutral line lies at most in the middle. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Coupon:
    """What one coupon tells.

    Attributes
    ----------
    name : tool and sheet. thickness, radius : mm. angle : radians, after release. k, u_k : K-factor and its standard
    uncertainty. u_k_same : the same for a part of the coupon's own radius, sheet and angle, where an error in radius or
    thickness cancels against K and only blank and legs count. deduction : mm at that angle. springback : kR, angle
    after release over tool angle; None if not known.
    """

    name: str
    thickness: float
    radius: float
    angle: float
    k: float
    u_k: float
    u_k_same: float
    deduction: float
    springback: float | None = None


def coupon_of_measures(
    name: str,
    blank: Input,
    legs: tuple[Input, Input],
    radius: Input,
    thickness: Input,
    angle: Input | None = None,
    tool_angle: float | None = None,
) -> Coupon:
    """K, deduction and springback of a bent strip from its blank, two outside legs, inside radius and thickness, mm.

    angle (rad, after release) is 90° where left out. K = ((blank − flats)/A − R)/T; its standard uncertainty by
    first-order propagation (JCGM 100:2008, 5.1). Raises CannotDetermine where K is not between 0 and 0.6.
    """
    inputs = [blank, *legs, radius, thickness, angle or Input(math.pi / 2)]

    def k_of(values: list[float]) -> float:
        return k_from_blank(values[0], (values[1], values[2]), values[5], values[3], values[4])

    at = [item.value for item in inputs]
    k = k_of(at)
    if not -0.02 <= k <= LARGEST_K + 0.02:
        message = (
            f"The coupon '{name}' gives K = {k:.3f}, which no sheet has (0 to {LARGEST_K:g}); "
            "check blank, legs, radius and thickness."
        )
        raise CannotDetermine(message)
    moves = [k_of([v + item.standard * (j == i) for j, v in enumerate(at)]) - k for i, item in enumerate(inputs)]
    k = min(max(k, 0.0), LARGEST_K)
    back = None if tool_angle is None else _springback(at[5], tool_angle)
    deduction = float(bend_deduction(at[5], at[3], at[4], k))
    return Coupon(name, at[4], at[3], at[5], k, math.hypot(*moves), math.hypot(*moves[:3]), deduction, back)


def _springback(after: float, tool: float) -> float:
    from fit.bend.springback import factor_from_coupon

    return factor_from_coupon(tool, after)


def store_coupon(path: str | Path, coupon: Coupon) -> None:
    """Add a coupon to a file of coupons (JSON), or put it in the place of an earlier one of its name."""
    known = _read(path) if Path(path).exists() else {}
    known[coupon.name] = asdict(coupon)
    text = json.dumps({"format": "edgewright-coupons", "version": 1, "coupons": known}, indent=1) + "\n"
    part = Path(f"{path}.part")
    try:
        part.write_text(text)
        os.replace(part, path)
    except OSError as error:
        message = f"{path}: cannot be written ({error.strerror}); choose another place for the coupons."
        raise OutputError(message) from error


def read_coupon(path: str | Path, name: str) -> Coupon:
    """A stored coupon by its name."""
    known = _read(path)
    if name not in known:
        message = f"{path}: holds no coupon '{name}'; it has {', '.join(known) or 'none'}."
        raise InputError(message)
    try:
        return Coupon(**known[name])  # type: ignore[arg-type]
    except TypeError as error:
        message = f"{path}: coupon '{name}' is damaged; work it out again with --store."
        raise InputError(message) from error


def _read(path: str | Path) -> dict[str, dict[str, float]]:
    try:
        record = json.loads(Path(path).read_text())
    except OSError as error:
        message = f"{path}: cannot be read ({error.strerror}); give the file that --store wrote."
        raise InputError(message) from error
    except ValueError as error:
        message = f"{path}: is not a file of coupons."
        raise InputError(message) from error
    if not isinstance(record, dict) or record.get("format") != "edgewright-coupons":
        message = f"{path}: is not a file of coupons."
        raise InputError(message)
    return dict(record["coupons"])
