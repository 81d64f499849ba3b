"""Names of shared errors: which are one and the same error in several photos, and which only look alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from fit.feature import Feature
from fit.points import Points

__all__ = ["face_names_of_errors", "feature_with_names", "photo_names_of_errors", "points_with_names"]

_OF_PHOTO = ("corners", "target")
"""Noise of corners and flatness of paper are anew in every photo."""


def face_names_of_errors(word: str) -> Callable[[str], str]:
    """Errors of a face that has its own height: ``height:top`` becomes ``height:top 37.4``."""
    return lambda name: f"{name} {word}" if word and name.startswith("height:") else name


def photo_names_of_errors(photo: str, own: frozenset[str]) -> Callable[[str], str]:
    """Errors of one of several photos, told apart from those of the others.

    own : words of the sources that are this photo's alone besides corners and flatness, such as ``lens`` where it was
    taken with another lens.
    """

    def renamed(name: str) -> str:
        word, _, rest = name.partition(":")
        is_own = word in _OF_PHOTO or (word in own and " " not in rest)
        return f"{word}:{photo} {rest}" if is_own else name

    return renamed


def feature_with_names(feature: Feature, renamed: Callable[[str], str]) -> Feature:
    """The feature with its shared errors under other names, pieces of a path too."""
    return replace(
        feature,
        shared_names=tuple(renamed(name) for name in feature.shared_names),
        segments=tuple(feature_with_names(segment, renamed) for segment in feature.segments),
    )


def points_with_names(points: Points, renamed: Callable[[str], str]) -> Points:
    """The points with their shared errors under other names."""
    return replace(points, shared_names=tuple(renamed(name) for name in points.shared_names))
