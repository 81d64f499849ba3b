"""Printed target pages: pattern -> page of ink and words -> PDF, SVG or PNG."""

from capture.printing.write import write_target

__all__ = ["write_target"]
