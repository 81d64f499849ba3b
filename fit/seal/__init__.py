"""Rubber seals: a measured path -> the seal's own line, length to cut, tightest corners, compression along it."""

from fit.seal.corners import BendLimits, tightest_corners
from fit.seal.demands import demands_met
from fit.seal.gapmap import GapMap, gap_map
from fit.seal.line import SealLine, edge_of, seal_line
from fit.seal.profile import Allowance, Profile
from fit.seal.seal import SealPlan, seal
from fit.seal.squeeze import (
    RANGES,
    Range,
    bend_strain,
    compression,
    cut_tolerance,
    fitting_heights,
    section_tolerance,
    squeeze_of,
)
from fit.seal.table import seal_table

__all__ = [
    "RANGES",
    "Allowance",
    "BendLimits",
    "GapMap",
    "Profile",
    "Range",
    "SealLine",
    "SealPlan",
    "bend_strain",
    "compression",
    "cut_tolerance",
    "demands_met",
    "edge_of",
    "fitting_heights",
    "gap_map",
    "seal",
    "seal_line",
    "seal_table",
    "section_tolerance",
    "squeeze_of",
    "tightest_corners",
]
