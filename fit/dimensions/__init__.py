"""Dimensions between features, each with its uncertainty and budget."""

from fit.dimensions.between import angle, distance, offset
from fit.dimensions.derived import PitchCircle, over_all, pitch_circle, symmetry_plane
from fit.dimensions.verdict import verdict

__all__ = ["PitchCircle", "angle", "distance", "offset", "over_all", "pitch_circle", "symmetry_plane", "verdict"]
