"""The version, written once: the package takes it from here too."""

__all__ = ["EDGEWRIGHT"]

EDGEWRIGHT = "0.1.0"
