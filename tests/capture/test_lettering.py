"""Words on pictures: clear of one another and of what is drawn, with a line to what they tell of."""

from __future__ import annotations

import numpy as np

from capture.edges.lettering import Words, write_apart, write_at

GROUND = 90


def written(marks: np.ndarray, *places: tuple[int, int]) -> np.ndarray:
    shown = np.full((600, 800, 3), GROUND, np.uint8)
    write_apart(shown, [Words((f"edge {i}: 123.4",), np.array(place), 0.6) for i, place in enumerate(places)], marks)
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


def test_words_that_do_not_lie_beside_what_they_tell_of_are_led_to_it() -> None:
    def dark_between(gap: int) -> int:
        """Dark pixels between a ring about (200, 300) and words `gap` px right of it."""
        shown = np.full((600, 800, 3), GROUND, np.uint8)
        words = Words(("hole 1",), np.array([400, 300]), 0.6, np.array([200.0, 300.0, 0.0]))
        (left, *_), ring = ends_of(words), words.target
        ring[2] = left - gap - 200
        write_apart(shown, [words], np.zeros((0, 2), int))
        return int((shown[300, 200 + int(ring[2]) : left] < GROUND).any(axis=1).sum())

    assert dark_between(60) > 50 and dark_between(5) == 0


def ends_of(words: Words) -> tuple[int, ...]:
    """Left, top, right and bottom px of words written at their place."""
    shown = np.full((600, 800, 3), GROUND, np.uint8)
    write_at(shown, words)
    rows, columns = np.nonzero((shown != GROUND).any(axis=2))
    return int(columns.min()), int(rows.min()), int(columns.max()), int(rows.max())


def test_words_at_a_place_lie_about_it_but_inside_the_picture() -> None:
    def ends(x: int, y: int) -> tuple[int, ...]:
        return ends_of(Words(("x 120",), np.array([x, y]), 0.8))

    left, top, right, bottom = ends(400, 300)
    assert abs(left + right - 800) < 4 and abs(top + bottom - 600) < 4
    np.testing.assert_allclose(ends(799, 0), (799 - (right - left), 0, 799, bottom - top), atol=1)
