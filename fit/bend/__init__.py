"""Bent sheet: allowance, flat blank, springback, joggles, limits; each calculator is one plain function."""

from fit.bend.allowance import (
    bend_allowance,
    bend_deduction,
    din_deduction,
    din_k,
    flat_length,
    handbook_allowance,
    k_from_blank,
    outside_setback,
    trade_allowance,
)
from fit.bend.coupon import Coupon, coupon_of_measures
from fit.bend.joggle import Joggle, joggle
from fit.bend.springback import elastic_ratio, springback_factor, tool_angle

__all__ = [
    "Coupon",
    "Joggle",
    "bend_allowance",
    "bend_deduction",
    "coupon_of_measures",
    "din_deduction",
    "din_k",
    "elastic_ratio",
    "flat_length",
    "handbook_allowance",
    "joggle",
    "k_from_blank",
    "outside_setback",
    "springback_factor",
    "tool_angle",
    "trade_allowance",
]
