"""Features -> a drawing in mm -> sheets -> pens (SVG, PDF, DXF), so that no two files can disagree."""

__all__: list[str] = []
