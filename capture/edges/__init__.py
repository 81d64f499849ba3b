"""Tone steps on the raw photo become points on the part's edges: mask, openings, rims, outline, picked edges."""
