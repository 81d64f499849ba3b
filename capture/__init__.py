"""Photos with a printed target, or point lists from a digitizing arm, become measured points and features.

photo -> target pieces and camera -> edges on the raw photo -> points; list -> tip -> stations -> points.
"""

__all__: list[str] = []
