"""A photo kept at hand: decoded once, its camera solved once, its picture cut into tiles once."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np

from capture.camera.face import Face
from capture.page.leads import KeptLeads
from capture.page.tiles import Pyramid, pyramid
from fit.errors import EdgewrightError, InputError
from fit.points import FloatArray

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from capture.camera.image import Image
    from capture.edges.flatten import Flat
    from capture.edges.strip import Lit
    from capture.jobs.keys import PhotoKeys
    from capture.jobs.read import JobFile
    from capture.jobs.shots import Solved

__all__ = ["VIEWS", "HeldPhoto", "held_key"]

VIEWS = ("raw", "flat")
_FLAT_MOST_PX = 4000
_FLAT_LEAST_STEP = 0.05
_MARGIN_MM = 25.0
_PICKED = ("capture.edges.picked", "capture.edges.picked_arc", "capture.edges.picked_line")
_FOR_TAPS = (*_PICKED, "scipy.interpolate", "scipy.spatial", "tomlkit")
"""Loaded when they are used first, which takes longer than finding an edge."""


def held_key(file: JobFile, photo: PhotoKeys) -> str:
    """A word that changes when the picture, its lens or its caliper readings do.

    Raises InputError where the picture or the lens is gone.
    """
    from capture.jobs.stage import fingerprint

    lens = photo.camera or (file.job.camera.file if file.job.camera else None)
    stats = [_stat(file.folder / name) for name in (photo.file, *([lens] if lens else []))]
    marks = [[stat.st_mtime_ns, stat.st_size] for stat in stats]
    return fingerprint(photo.file, lens, photo.print_x, photo.print_y, photo.print_u, marks)[:16]


def _stat(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except OSError as error:
        message = f"{path.name}: cannot be read any more ({error.strerror}); put it back beside the job."
        raise InputError(message) from error


T = TypeVar("T")


class _Once(Generic[T]):
    """A property worked out once, however many threads ask for it at the same time."""

    def __init__(self, work: Callable[[Any], T]) -> None:
        self._work, self._name, self.__doc__ = work, work.__name__, work.__doc__

    def __get__(self, held: Any, owner: type | None = None) -> T:
        with held.locks.setdefault(self._name, threading.RLock()):
            if self._name not in held.kept:
                held.kept[self._name] = self._work(held)
            value: T = held.kept[self._name]
            return value


@dataclass(frozen=True, eq=False, slots=True)
class HeldPhoto:
    """Everything about one photo that does not depend on what is marked in it."""

    file: JobFile
    photo: PhotoKeys
    key: str
    kept: dict[str, Any] = field(default_factory=dict)
    locks: dict[str, threading.RLock] = field(default_factory=dict)

    def at(self, photo: PhotoKeys) -> HeldPhoto:
        """The same photo with the part's face at another height: only the flattened picture changes."""
        kept = {name: value for name, value in self.kept.items() if name != "flat"}
        return HeldPhoto(self.file, photo, self.key, kept)

    @_Once
    def image(self) -> Image:
        """The picture file, opened."""
        from capture.camera.image import open_image

        return open_image(self.file.folder / self.photo.file)

    @_Once
    def pixels(self) -> NDArray[np.uint8]:
        """The stored picture (H, W, 3), BGR."""
        return self.image.colour()

    @_Once
    def solved(self) -> Solved:
        """The photo with its camera solved.

        Raises CannotDetermine where the print cannot be found.
        """
        from capture.jobs.shots import solve_photo

        return solve_photo(self.file, self.photo)

    @_Once
    def lit(self) -> Lit:
        """The picture in linear light, for measuring."""
        from capture.edges.strip import Lit, linear_light

        return Lit(linear_light(self.pixels))

    @_Once
    def leads(self) -> KeptLeads:
        """Edges found so far."""
        return KeptLeads()

    @_Once
    def raw(self) -> Pyramid:
        """The picture as people see it, upright."""
        from capture.camera.image import upright

        return pyramid(upright(self.pixels, self.image.orientation))

    @property
    def level(self) -> float:
        """Height at which the picture is flattened, mm."""
        return self.photo.height.value if self.photo.height is not None else 1.5

    @_Once
    def flat(self) -> tuple[Flat, Pyramid]:
        """The bench as seen from straight above at the part's height, and its tiles."""
        from capture.camera.health import target_hull
        from capture.edges.flatten import flatten

        hull = target_hull(self.solved.bench)
        low, high = hull.min(axis=0) - _MARGIN_MM, hull.max(axis=0) + _MARGIN_MM
        step = max(float((high - low).max()) / _FLAT_MOST_PX, _FLAT_LEAST_STEP)
        bounds = (float(low[0]), float(high[0]), float(low[1]), float(high[1]))
        flat = flatten(self.pixels, self.solved.bench, self.level, bounds, step)
        return flat, pyramid(flat.pixels)

    def picture(self, view: str) -> Pyramid:
        """Tiles of the raw or the flattened photo."""
        if view not in VIEWS:
            message = f"The view '{view}' is not known."
            raise InputError(message)
        return self.raw if view == "raw" else self.flat[1]

    def to_view(self, xyz: FloatArray, view: str) -> FloatArray:
        """Places (N, 2) px in a view of bench points (N, 3) mm."""
        px = self.solved.bench.project(xyz)
        if view == "raw":
            return np.asarray(self.image.to_displayed(px), float)
        places = self.solved.bench.cut(px, Face.level("shown", self.level, 0.0))
        return self.flat[0].to_flat(places[:, :2])

    def to_bench(self, px: FloatArray, view: str, height: float) -> FloatArray:
        """Bench x, y (N, 2) mm at a height of places (N, 2) px in a view."""
        if view == "raw":
            stored = self.image.to_stored(px)
        else:
            flat = self.flat[0].to_bench(np.asarray(px, float))
            stored = self.solved.bench.project(np.column_stack([flat, np.full(len(flat), self.level)]))
        return self.solved.bench.cut(stored, Face.level("marked", height, 0.0))[:, :2]

    def make_ready(self) -> None:
        """Make and load what the first tap would else wait for."""
        self.lit  # noqa: B018 - made on being asked for
        for name in _FOR_TAPS:
            import_module(name)

    def fault(self) -> str:
        """Why the camera cannot be solved, '' where it can."""
        try:
            self.solved  # noqa: B018 - asked for its refusal only
        except EdgewrightError as error:
            return str(error)
        return ""
