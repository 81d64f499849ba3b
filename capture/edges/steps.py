"""Where tone steps along the rows of a strip: maxima of its slope over the texture of the face, and their places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fit.points import FloatArray

__all__ = ["clear_steps", "placed_steps", "slope_across", "texture_along"]

_LEAST_STRENGTH = 0.25
_MATERIAL_MM = 1.0
_LINEAR_REACH = 3


def slope_across(tone: NDArray[np.float32], sigma: float, step: float) -> NDArray[np.float32]:
    """Size of the tone's slope across the contour (M, T), over all channels, 1/mm."""
    import cv2

    blur = cv2.getGaussianKernel(2 * int(3 * sigma) + 3, sigma)[:, 0]
    across = np.convolve(blur, [-0.5, 0.0, 0.5]) / step
    rise = cv2.sepFilter2D(tone, cv2.CV_32F, across, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    square = cv2.transform(cv2.multiply(rise, rise), np.ones((1, tone.shape[2])))
    return np.asarray(cv2.sqrt(square))


def texture_along(slope: NDArray[np.float32], offsets: FloatArray, rows_near: int, faintest: float) -> FloatArray:
    """The slope (M, 1) that the face's texture reaches nearby, from its innermost columns; steps must exceed it."""
    face = np.sort(slope[:, offsets < offsets[0] + _MATERIAL_MM], axis=1)
    own = np.maximum(2.5 * _quantile(face, 0.5), 2.0 * _quantile(face, 0.9))
    near = min(2 * rows_near + 1, len(own) - 1 + len(own) % 2)
    wrapped = np.concatenate([own[-near:], own, own[:near]])
    windows = np.sort(np.lib.stride_tricks.sliding_window_view(wrapped, near), axis=1)
    usual = windows[:, near // 2][near - near // 2 :][: len(own)]
    if usual.min() < faintest * slope.max():  # ranking all slopes takes a while, and else would count for nothing
        usual = np.maximum(usual, faintest * _steep(slope))
    return np.maximum(usual, 1e-6)[:, None]


def _steep(slope: NDArray[np.float32]) -> float:
    """The slope that one place in 200 exceeds. One rank is asked for, since NumPy takes four times as long for two."""
    place, within = divmod(0.995 * (slope.size - 1), 1)
    ranked = np.partition(slope, int(place), axis=None)
    low, high = float(ranked[int(place)]), float(ranked[int(place) + 1 :].min())
    return low + within * (high - low)


def _quantile(ranked: NDArray[np.float32], share: float) -> FloatArray:
    """Quantile (M,) of rows (M, N) that are in order already; NumPy's own ranks them anew for each."""
    place, within = divmod(share * (ranked.shape[1] - 1), 1)
    low, high = (ranked[:, int(i)].astype(float) for i in (place, min(place + 1, ranked.shape[1] - 1)))
    return low + within * (high - low)


def clear_steps(
    slope: NDArray[np.float32], texture: FloatArray
) -> tuple[FloatArray, NDArray[np.int_], NDArray[np.int_]]:
    """Strength (M, T) at the maxima of the perceived slope along each row, and the rows and columns of those."""
    rows, columns = np.nonzero((slope[:, 1:-1] >= slope[:, :-2]) & (slope[:, 1:-1] > slope[:, 2:]))
    top = slope[rows, columns + 1].astype(float) ** 2
    strength = top / (top + texture[rows, 0] ** 2)
    enough = strength > _LEAST_STRENGTH
    rows, columns = rows[enough], columns[enough] + 1
    clear = np.zeros(slope.shape)
    clear[rows, columns] = strength[enough]
    return clear, rows, columns


def placed_steps(linear: NDArray[np.float32], rows: NDArray[np.int_], columns: NDArray[np.int_]) -> FloatArray:
    """Sub-column shift (M, T) of steps to the slope's maximum in linear light, which blur does not move."""
    shift = np.zeros(linear.shape)
    shift[rows, columns] = _linear_shift(linear, rows, columns)
    return shift


def _linear_shift(linear: NDArray[np.float32], rows: NDArray[np.int_], columns: NDArray[np.int_]) -> FloatArray:
    """From the columns given to the nearby maximum of linear slope, sub-column."""
    window = np.clip(columns[:, None] + np.arange(-_LINEAR_REACH, _LINEAR_REACH + 1), 1, linear.shape[1] - 2)
    top = window[np.arange(len(rows)), linear[rows[:, None], window].argmax(axis=1)]
    before, here, after = (linear[rows, top + i].astype(float) for i in (-1, 0, 1))
    bend = before - 2 * here + after
    within = np.where(bend < 0, (before - after) / (2 * np.minimum(bend, -1e-12)), 0.0)
    return np.asarray(top - columns + np.clip(within, -1, 1), dtype=float)
