"""Bent rod and tube: touches or corners to a bending schedule, and back to corners."""

from fit.rod.inputs import RodInputs
from fit.rod.measured import MeasuredRod, measure_rod
from fit.rod.schedule import Schedule, corners_of_schedule, reversed_schedule, schedule_of_axes, schedule_of_corners

__all__ = [
    "MeasuredRod",
    "RodInputs",
    "Schedule",
    "corners_of_schedule",
    "measure_rod",
    "reversed_schedule",
    "schedule_of_axes",
    "schedule_of_corners",
]
