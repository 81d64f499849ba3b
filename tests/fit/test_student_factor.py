"""Student's factor against scipy's and against the table of the Guide."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from scipy.stats import t

from fit.uncertain import coverage_factor, student_factor


@pytest.mark.parametrize("dof", [1, 1.3, 2, 2.5, 3, 5.7, 12, 29.9, 60, 399, 401, 5000, 1e6, math.inf])
def test_against_scipy(dof: float) -> None:
    for tail in (0.05, 0.01, 1e-3, 1e-5, 1e-8):
        assert student_factor(dof, tail) == pytest.approx(float(t.isf(tail / 2, dof)), rel=1e-6 if dof > 400 else 1e-9)


@pytest.mark.parametrize(
    ("dof", "printed"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (8, 2.31), (10, 2.23), (30, 2.04), (math.inf, 1.960)],
)
def test_the_guides_table(dof: float, printed: float) -> None:
    """JCGM 100:2008, table G.2, column 95 % (from memory, two decimals)."""
    assert coverage_factor(dof) == pytest.approx(printed, abs=0.0051)


def test_it_spares_scipy() -> None:
    code = "import sys; from fit.uncertain import coverage_factor; coverage_factor(4.5); print('scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
