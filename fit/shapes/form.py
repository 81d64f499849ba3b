"""Form values: how far the points depart from the shape, by least squares and by minimum zone."""

from __future__ import annotations

import numpy as np

from fit.errors import InputError
from fit.points import FloatArray
from fit.shapes.fitting import Fitted
from fit.shapes.model import Model

__all__ = ["FORMS", "form_of"]

FORMS = ("none", "least-squares", "minimum-zone")


def form_of(key: str, model: Model, fitted: Fitted, rows: FloatArray, form: str) -> dict[str, float]:
    """Form values of the points used, in mm.

    ``<key>_least_squares`` is peak to valley from the least-squares shape; ``<key>`` is the minimum zone's width, found
    only on demand since it costs more.
    """
    if form not in FORMS:
        message = f"The form must be one of {', '.join(FORMS)}; got {form}."
        raise InputError(message)
    if form == "none":
        return {}
    inner = fitted.used(fitted.residuals)
    width = float(np.ptp(inner[0])) if len(inner) == 1 else 2 * float(np.sqrt(np.sum(inner**2, axis=0)).max())
    found = {f"{key}_least_squares": width}
    if form == "minimum-zone":
        from fit.shapes.zone import minimum_zone

        found[key] = minimum_zone(model, fitted.state, fitted.used(rows))
    return found
