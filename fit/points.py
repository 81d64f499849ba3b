"""Measured points that know how they are wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fit.errors import InputError

__all__ = ["FARTHEST_MM", "FloatArray", "Points", "align_shared", "join_points"]

FloatArray = NDArray[np.float64]

FARTHEST_MM = 1e6
"""No coordinate of a workshop is larger; beyond it a digit or a unit is mistaken. Common practice, no source."""


def _frozen(array: ArrayLike, shape: tuple[int, ...], what: str) -> FloatArray:
    """Return a read-only float copy of the given shape, or say what shape was expected."""
    result = np.array(array, dtype=float)
    if result.shape != shape:
        message = f"The {what} must have shape {shape}; got {result.shape}."
        raise InputError(message)
    result.flags.writeable = False
    return result


@dataclass(frozen=True, eq=False, slots=True)
class Points:
    """Points in one named frame, with what each is wrong by itself and what all are wrong by together.

    cov(points) = noise² ⊗ I₃ + Σₖ sₖ sₖᵀ, to first order (JCGM 100:2008, 5.2).

    Attributes
    ----------
    xyz : (N, 3) mm.
    noise : (N,) mm, standard uncertainty of each point by itself, isotropic; NaN where it is not known
        (a fit then takes it from its residuals).
    normal : (N, 3) unit vectors across the edge or out of the surface; NaN where not known.
    shared : (K, N, 3) mm, move of every point for one standard uncertainty of each shared source.
    shared_names : (K,) such as ``caliper:x``, ``height:top``, ``tip:radius``; the budget adds up by the word
        before the colon.
    label : (N,) feature name of each point, '' where it has none.
    frame : what the axes are, in words.
    source : where the points come from.
    """

    xyz: FloatArray
    noise: FloatArray = field(default=None)  # type: ignore[arg-type]
    normal: FloatArray = field(default=None)  # type: ignore[arg-type]
    shared: FloatArray = field(default=None)  # type: ignore[arg-type]
    shared_names: tuple[str, ...] = ()
    label: NDArray[np.str_] = field(default=None)  # type: ignore[arg-type]
    frame: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        xyz = np.array(self.xyz, dtype=float)
        if xyz.ndim != 2 or xyz.shape[1] != 3:
            message = f"The points must have shape (N, 3); got {xyz.shape}."
            raise InputError(message)
        if not np.isfinite(xyz).all():
            message = "The points must be finite numbers; check the list for blanks or text."
            raise InputError(message)
        n, k = len(xyz), len(self.shared_names)
        noise = np.full(n, np.nan) if self.noise is None else np.broadcast_to(np.asarray(self.noise, float), (n,))
        normal = np.full((n, 3), np.nan) if self.normal is None else self.normal
        shared = np.zeros((k, n, 3)) if self.shared is None else self.shared
        label = np.full(n, "", dtype=str) if self.label is None else np.array(self.label, dtype=str)
        if label.shape != (n,):
            message = f"The labels must have shape {(n,)}; got {label.shape}."
            raise InputError(message)
        xyz.flags.writeable = label.flags.writeable = False
        object.__setattr__(self, "xyz", xyz)
        object.__setattr__(self, "noise", _frozen(noise, (n,), "noise"))
        object.__setattr__(self, "normal", _frozen(normal, (n, 3), "normals"))
        object.__setattr__(self, "shared", _frozen(shared, (k, n, 3), "shared errors"))
        object.__setattr__(self, "shared_names", tuple(self.shared_names))
        object.__setattr__(self, "label", label)

    def __len__(self) -> int:
        return len(self.xyz)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int_] | slice) -> Points:
        """Return the points that a mask, index array or slice picks, with their shared errors."""
        return replace(
            self,
            xyz=self.xyz[which],
            noise=self.noise[which],
            normal=self.normal[which],
            shared=self.shared[:, which],
            label=self.label[which],
        )

    def labelled(self, name: str) -> Points:
        """Return the points of one feature by its name."""
        return self.select(self.label == name)

    def named(self, name: str) -> Points:
        """Return the same points, all labelled with one feature name."""
        return replace(self, label=np.full(len(self), name))

    def moved(self, rotation: ArrayLike, translation: ArrayLike, frame: str) -> Points:
        """Return the points in another frame: ``rotation @ xyz + translation``; errors turn along."""
        turn = np.asarray(rotation, float)
        return replace(
            self,
            xyz=self.xyz @ turn.T + np.asarray(translation, float),
            normal=self.normal @ turn.T,
            shared=self.shared @ turn.T,
            frame=frame,
        )

    def without_shared(self) -> Points:
        """Return the same places with their own noise only, for fits of which nobody asks how they err together."""
        return replace(self, shared=self.shared[:0], shared_names=())

    def with_shared(self, names: Sequence[str], modes: ArrayLike) -> Points:
        """Return the points with further shared sources; modes is (K', N, 3) mm per standard uncertainty."""
        if taken := set(names) & set(self.shared_names):
            message = f"The shared source names must be new; got {sorted(taken)} again."
            raise InputError(message)
        stacked = np.concatenate([self.shared, np.asarray(modes, float).reshape(len(names), len(self), 3)])
        return replace(self, shared=stacked, shared_names=(*self.shared_names, *names))


def align_shared(names: Sequence[str], own_names: Sequence[str], modes: FloatArray) -> FloatArray:
    """Spread modes (K, ...) given under own_names over the longer list of names, zeros elsewhere."""
    spread = np.zeros((len(names), *modes.shape[1:]))
    place = {name: i for i, name in enumerate(names)}
    for own, mode in zip(own_names, modes, strict=True):
        spread[place[own]] = mode
    return spread


def join_points(parts: Sequence[Points]) -> Points:
    """Join point sets of one frame; a shared source of the same name is the same error in all of them."""
    if not parts:
        message = "There must be at least one point set to join; got none."
        raise InputError(message)
    frames = {part.frame for part in parts}
    if len(frames) > 1:
        message = f"The point sets must be in one frame; got {sorted(frames)}."
        raise InputError(message)
    names = tuple(dict.fromkeys(name for part in parts for name in part.shared_names))
    return Points(
        xyz=np.concatenate([part.xyz for part in parts]),
        noise=np.concatenate([part.noise for part in parts]),
        normal=np.concatenate([part.normal for part in parts]),
        shared=np.concatenate([align_shared(names, part.shared_names, part.shared) for part in parts], axis=1),
        shared_names=names,
        label=np.concatenate([part.label for part in parts]),
        frame=parts[0].frame,
        source=", ".join(dict.fromkeys(part.source for part in parts if part.source)),
    )
