"""Each shape's derivatives against central differences of its own distances, and distances against plain geometry."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from fit.shapes.circle import CircleInPlaneModel, CircleModel
from fit.shapes.cone import ConeModel
from fit.shapes.cylinder import CylinderModel
from fit.shapes.frame import frame_at
from fit.shapes.line import LineInPlaneModel, LineModel
from fit.shapes.plane import PlaneModel
from fit.shapes.slot import SlotModel
from fit.shapes.sphere import SphereModel

FRAME = frame_at([1.0, 2.0, 3.0], [0.3, 0.4, 0.8])
MODELS: list[tuple[Any, Any, int]] = [
    (LineInPlaneModel(), np.array([1.0, 2.0, 0.4]), 2),
    (LineModel(), FRAME, 3),
    (PlaneModel(), FRAME, 3),
    (CircleInPlaneModel(), np.array([1.0, 2.0, 9.0]), 2),
    (CircleModel(), (FRAME, 8.0), 3),
    (SlotModel(), np.array([1.0, 2.0, 0.4, 6.0, 5.0]), 2),
    (SphereModel(), np.array([1.0, 2.0, 3.0, 7.0]), 3),
    (CylinderModel(), (FRAME, 8.0), 3),
    (CylinderModel(8.0), (FRAME, 8.0), 3),
    (ConeModel(), (FRAME, 8.0, 0.3), 3),
]
STEP = 1e-6


@pytest.mark.parametrize(("model", "state", "dimension"), MODELS)
def test_derivatives_by_the_steps(model: Any, state: Any, dimension: int) -> None:
    rows = np.random.default_rng(1).normal(0, 10, (dimension, 60))
    jacobian = model.evaluate(state, rows)[1]
    for j in range(model.parameters):
        step = STEP * np.eye(model.parameters)[j]
        change = model.evaluate(model.move(state, step), rows)[0] - model.evaluate(model.move(state, -step), rows)[0]
        np.testing.assert_allclose(jacobian[j], change / (2 * STEP), atol=2e-7 * max(1, np.abs(jacobian[j]).max()))


@pytest.mark.parametrize(("model", "state", "dimension"), MODELS)
def test_derivatives_by_the_points(model: Any, state: Any, dimension: int) -> None:
    rows = np.random.default_rng(2).normal(0, 10, (dimension, 60))
    gradients = model.gradients(state, rows)
    for d in range(dimension):
        move = STEP * np.eye(dimension)[:, [d]]
        change = model.evaluate(state, rows + move)[0] - model.evaluate(state, rows - move)[0]
        np.testing.assert_allclose(gradients[:, d], change / (2 * STEP), atol=2e-7)


@pytest.mark.parametrize("model", [PlaneModel(), LineModel(), LineInPlaneModel(), SphereModel(), CircleModel()])
def test_small_samples_pass_through_their_points(model: Any) -> None:
    dimension = 2 if isinstance(model, LineInPlaneModel) else 3
    rows = np.random.default_rng(3).normal(0, 10, (dimension, 30))
    picks = np.array([[3, 9, 20, 28], [7, 1, 16, 4]])[:, : model.sample]
    state_of, distances = model.sampled(rows, picks)
    for i, (pick, distance) in enumerate(zip(picks, distances, strict=True)):
        state = state_of(i)
        np.testing.assert_allclose(distance[pick], 0, atol=1e-6)
        size = np.sqrt(np.sum(model.evaluate(state, rows)[0] ** 2, axis=0))
        np.testing.assert_allclose(size, np.abs(distance), atol=1e-6)


def test_slot_distance_is_that_of_its_outline() -> None:
    model, state = SlotModel(), np.array([0.0, 0.0, 0.0, 6.0, 2.0])
    side, inside, end = model.evaluate(state, np.array([[1.0, 0.0, 9.0], [2.5, 0.5, 0.0]]))[0][0]
    assert (side, inside, end) == pytest.approx((0.5, -1.5, 1.0))
