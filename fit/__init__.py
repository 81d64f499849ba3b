"""Points in, features with honest uncertainty, dimensions, drawings and workshop calculators out.

points -> shapes and paths -> features -> dimensions -> drawings, clouds, bend, rod, seal, clearance. Lengths are mm
and angles radians everywhere inside.
"""

__all__: list[str] = []
