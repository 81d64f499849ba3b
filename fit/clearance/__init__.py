"""Smallest gap between a fixed and a moving part through a motion: clouds or features -> gap, place, what is left."""

from fit.clearance.body import Body, body_of, read_body
from fit.clearance.clearance import Clearance, Demand, clear, clear_table
from fit.clearance.hinge import Hinge, fit_hinge
from fit.clearance.margin import SITUATIONS, Margin, Tolerance
from fit.clearance.motion import Motion, hinge_motion, read_poses, slide_motion

__all__ = [
    "SITUATIONS",
    "Body",
    "Clearance",
    "Demand",
    "Hinge",
    "Margin",
    "Motion",
    "Tolerance",
    "body_of",
    "clear",
    "clear_table",
    "fit_hinge",
    "hinge_motion",
    "read_body",
    "read_poses",
    "slide_motion",
]
