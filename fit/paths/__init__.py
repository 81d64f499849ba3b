"""Paths: one ordered edge cut into tangent-continuous lines and arcs."""

from fit.paths.path import PathFit, fit_path

__all__ = ["PathFit", "fit_path"]
