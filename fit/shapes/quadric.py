"""The axis of a cylinder or cone read off the quadric through its points: quick, and tested before it is believed."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray
from fit.shapes.sums import gram

__all__ = ["quadric_axis"]


def quadric_axis(rows: FloatArray) -> tuple[FloatArray, float]:
    """Direction (3,) of the axis, and the mean square of the points' distances from the quadric, to first order.

    The ten coefficients come from the least eigenvector of the scatter of 1, x … yz (Bookstein 1979, without his
    norm); the axis belongs to the eigenvalue of the second-order part that stands apart from the other two. Distances
    are f / |grad f| (Sampson 1982). rows (3, N), best centred and of size one.
    """
    x, y, z = rows
    table = np.empty((10, rows.shape[1]))
    table[0], table[1:4] = 1.0, rows
    np.multiply(rows, rows, out=table[4:7])
    np.multiply(x, y, out=table[7])
    np.multiply(x, z, out=table[8])
    np.multiply(y, z, out=table[9])
    a = np.linalg.eigh(gram(table, table))[1][:, 0]
    form = np.array([[2 * a[4], a[7], a[8]], [a[7], 2 * a[5], a[9]], [a[8], a[9], 2 * a[6]]])
    values, directions = np.linalg.eigh(form)
    apart = 0 if values[1] - values[0] > values[2] - values[1] else 2
    slope = form @ rows + a[1:4, None]
    miss = a @ table
    steep = (slope * slope).sum(axis=0)
    return directions[:, apart], float((miss * miss / (steep + 1e-300)).sum()) / rows.shape[1]
