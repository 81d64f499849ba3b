"""Values with an own part, shared parts and degrees of freedom; their 95 % uncertainty and error budget."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from fit.points import FloatArray, align_shared

__all__ = ["Estimate", "Value", "budget_word", "chi2_95", "coverage_factor", "propagate", "student_factor"]


def coverage_factor(dof: float) -> float:
    """Two-sided 95 % factor of Student's t for `dof` degrees of freedom (JCGM 100:2008, G.3)."""
    return student_factor(dof, 0.05)


def student_factor(dof: float, tail: float) -> float:
    """Factor that |t| of `dof` ≥ 1 degrees of freedom passes with probability `tail` ≤ 0.05, right to 1e-6 and better.

    From 400 degrees on it is the Cornish-Fisher series about the normal (Abramowitz & Stegun 26.7.5), below that
    Newton's method on the logarithms of tail and factor, where the tail is concave: right of the root every step stays
    there. Own arithmetic spares loading scipy, which takes longer than the fits of a photo.
    """
    dof, z = max(dof, 1.0), NormalDist().inv_cdf(1 - tail / 2)
    first = (z**3 + z) / 4
    if dof > 400:
        second = (5 * z**5 + 16 * z**3 + 3 * z) / 96
        third = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
        return z + first / dof + second / dof**2 + third / dof**3
    log_tail, log_scale = math.log(tail), math.lgamma((dof + 1) / 2) - math.lgamma(dof / 2) - 0.5 * math.log(math.pi)
    power_law = math.sqrt(dof) * math.exp((log_scale + math.log(2 / dof) - log_tail) / dof)
    factor = min(z + first / dof, max(power_law, 1.8))
    for _ in range(50):
        log_beyond, log_density = _log_student(dof, factor, log_scale)
        step = (log_beyond - log_tail) * math.exp(log_beyond - log_density) / factor
        factor *= math.exp(max(min(step, 2.0), -2.0))
        if abs(step) < 1e-9:
            break
    return factor


def _log_student(dof: float, factor: float, log_scale: float) -> tuple[float, float]:
    """Logarithms of the two-sided tail of Student's t and of its slope.

    The tail is the incomplete beta function I_x(dof/2, 1/2), x = dof / (dof + t²), by its continued fraction (NIST DLMF
    8.17.22), summed by Lentz's method; it settles fast for t² above 3.
    """
    a, ratio = dof / 2, factor**2 / dof
    x = 1 / (1 + ratio)
    front = log_scale - a * math.log1p(ratio)
    numerator, denominator = 1.0, 1 / (1 - (a + 0.5) * x / (a + 1))
    fraction = denominator
    for m in range(1, 500):
        even = m * (0.5 - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + 0.5 + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        before = fraction
        for term in (even, odd):
            denominator = 1 / (1 + term * denominator)
            numerator = 1 + term / numerator
            fraction *= numerator * denominator
        if abs(fraction - before) < 1e-15 * fraction:
            break
    log_beyond = front + 0.5 * math.log(ratio / (1 + ratio)) + math.log(fraction / a)
    return log_beyond, front + math.log(2.0) - 0.5 * math.log(dof) - 0.5 * math.log1p(ratio)


def chi2_95(dof: int) -> float:
    """95 % point of χ² (Wilson & Hilferty 1931; within 1 % from one degree of freedom on)."""
    part = 2 / (9 * dof)
    return float(dof * (1 - part + 1.6448536 * math.sqrt(part)) ** 3)


def budget_word(shared_name: str) -> str:
    """Budget key of a shared source: the text before the colon, as in ``caliper`` of ``caliper:x``."""
    return shared_name.split(":", 1)[0]


@dataclass(frozen=True, eq=False, slots=True)
class Value:
    """One number with its error parts.

    Attributes
    ----------
    value : mm, or radians for an angle.
    own : variance of the part that is this value's alone.
    shared : (K,) move of the value for one standard uncertainty of each shared source.
    shared_names : (K,).
    dof : degrees of freedom of the own part; inf where its noise was known beforehand.
    """

    value: float
    own: float
    shared: FloatArray
    shared_names: tuple[str, ...]
    dof: float = math.inf

    @property
    def u(self) -> float:
        """Combined standard uncertainty (JCGM 100:2008, 5.1.2)."""
        # a variance that is nothing at all, as of a hole's height over its own face, may round to just below zero
        return math.sqrt(max(self.own, 0.0) + float(np.dot(self.shared, self.shared)))

    @property
    def effective_dof(self) -> float:
        """Welch-Satterthwaite degrees of freedom (JCGM 100:2008, G.4); shared sources count as well known."""
        if math.isinf(self.dof) or self.own <= 1e-9 * self.u**2:
            return math.inf
        return self.dof * (self.u**2 / self.own) ** 2

    @property
    def factor(self) -> float:
        """Coverage factor that turns u into U95."""
        return coverage_factor(self.effective_dof)

    @property
    def u95(self) -> float:
        """Expanded 95 % uncertainty."""
        return self.factor * self.u

    def budget(self) -> dict[str, float]:
        """U95 parts by source, largest first; they add in quadrature to u95."""
        squares: dict[str, float] = {"own": self.own}
        for name, part in zip(self.shared_names, self.shared, strict=True):
            word = budget_word(name)
            squares[word] = squares.get(word, 0.0) + float(part) ** 2
        ranked, factor = sorted(squares.items(), key=lambda item: -item[1]), self.factor
        return {word: factor * math.sqrt(square) for word, square in ranked if square > 0}


class Estimate(Protocol):
    """What `propagate` asks of its inputs: parameters with own and shared errors (a Feature has them)."""

    @property
    def values(self) -> FloatArray: ...
    @property
    def cov_own(self) -> FloatArray: ...
    @property
    def shared(self) -> FloatArray: ...
    @property
    def shared_names(self) -> tuple[str, ...]: ...
    @property
    def dof(self) -> float: ...


def propagate(fn: Callable[..., float], *inputs: Estimate, step: ArrayLike = 1e-6) -> Value:
    """Carry errors through ``fn(values_1, values_2, …)`` to first order (JCGM 100:2008, 5.1 and 5.2).

    Own errors of different inputs are independent; shared sources of the same name are the same error, so what two
    features share cancels by itself in their distance. Derivatives are central differences with the given step.
    """
    arrays = [np.array(item.values, float) for item in inputs]
    names = tuple(dict.fromkeys(name for item in inputs for name in item.shared_names))
    own, shared, satterthwaite = 0.0, np.zeros(len(names)), 0.0
    for i, item in enumerate(inputs):
        gradient = _gradient(fn, arrays, i, np.broadcast_to(np.asarray(step, float), arrays[i].shape))
        part = float(gradient @ item.cov_own @ gradient)
        own += part
        satterthwaite += 0.0 if math.isinf(item.dof) else part**2 / item.dof
        shared += align_shared(names, item.shared_names, item.shared) @ gradient
    dof = own**2 / satterthwaite if satterthwaite > 0 else math.inf
    return Value(float(fn(*arrays)), own, shared, names, dof)


def _gradient(fn: Callable[..., float], arrays: Sequence[FloatArray], which: int, step: FloatArray) -> FloatArray:
    gradient = np.zeros(len(arrays[which]))
    for j, h in enumerate(step):
        up, down = list(arrays), list(arrays)
        up[which], down[which] = arrays[which].copy(), arrays[which].copy()
        up[which][j] += h
        down[which][j] -= h
        gradient[j] = (fn(*up) - fn(*down)) / (2 * h)
    return gradient
