"""Touches of a digitizing arm become surface points in one frame: tip, stations, kinds, fits, datum."""
