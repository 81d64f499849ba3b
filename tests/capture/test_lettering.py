"""Words on pictures: clear of one another and of what is drawn, with a line to what they tell of."""

from __future__ import annotations

import numpy as np

from capture.edges.lettering import Words

GROUND = 90


def written(marks: np.ndarray, *anchors: tuple[int, int]) -> np.ndarray:
    shown = np.full((600, 800, 3), GROUND, np.uint8)
    words = Words(shown, marks)
    for i, anchor in enumerate(anchors):
        words.write([f"edge {i}: 123.4"], np.array(anchor), 0.6)
    words.draw()
    return shown


def test_words_leave_what_is_drawn_free() -> None:
    ring = np.linspace(0, 2 * np.pi, 400)
    marks = np.rint([400, 300] + 60 * np.column_stack([np.cos(ring), np.sin(ring)])).astype(int)
    shown = written(marks, (460, 300), (400, 240), (340, 300))
    touched = (shown[marks[:, 1], marks[:, 0]] != GROUND).any(axis=1)
    assert touched.sum() < 25  # where the thin lines to the words meet the ring
    away = written(np.array([[5, 5]]), (460, 300), (400, 240), (340, 300))
    assert (away[marks[:, 1], marks[:, 0]] != GROUND).any(axis=1).sum() > 60


def test_words_do_not_cover_one_another_and_stay_inside() -> None:
    one = (written(np.zeros((0, 2), int), (795, 5)) == 255).all(axis=2).sum()
    both = (written(np.zeros((0, 2), int), (795, 5), (795, 5), (790, 8)) == 255).all(axis=2).sum()
    assert both >= 2.9 * one
