"""Shapes fitted to points by orthogonal distance."""

__all__: list[str] = []
