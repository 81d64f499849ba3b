"""Point lists and clouds from files, in mm, each point with its line and name."""

from fit.lists.pointlist import PointList
from fit.lists.read import read_list

__all__ = ["PointList", "read_list"]
