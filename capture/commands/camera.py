"""`edgewright camera`: learn a camera's lens from photos of the printed sheet."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fit.commands.options import OUT

if TYPE_CHECKING:
    from capture.camera.learn import Learned, LearnPhoto

__all__ = ["camera"]


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("-o", "out", type=OUT, required=True, help="File for the lens: camera.json.")
@click.option("--replace", is_flag=True, help="Write over a file that is no earlier camera.json.")
@click.option("--json", "as_json", is_flag=True, help="Print camera.json and nothing else.")
def camera(photos: Sequence[Path], out: Path, replace: bool, as_json: bool) -> None:
    """Learn a camera's lens from three or more (better ten) photos of the printed sheet.

    Tilt the phone 20 to 40° in different directions, turn it between shots, and fill the picture to its corners. The
    picture beside the file (the same name, .png) shows where the lens was never seen.
    """
    from capture.camera.coverage import coverage_png
    from capture.camera.learn import learn_camera

    check_target(out, replace)
    learned = learn_camera([*_look(photos)])
    record = json.dumps(learned.profile.record(), indent=1) + "\n"
    write_whole({out: record.encode(), out.with_suffix(".png"): coverage_png(learned)})
    click.echo(record if as_json else summary(learned, out), nl=not as_json)


def check_target(out: Path, replace: bool) -> None:
    """Refuse early to write where we must not."""
    from capture.camera.profile import is_profile
    from fit.errors import OutputError

    if out.suffix.lower() != ".json":
        message = f"{out}: the lens file's name must end in .json; give for example -o camera.json."
        raise OutputError(message)
    if out.is_dir() or not out.absolute().parent.is_dir():
        message = f"{out}: must be a file in a folder that exists; check the name."
        raise OutputError(message)
    own = not out.exists() or is_profile(out)
    if not (replace or own):
        message = f"{out}: is there already and is no camera.json; give another name, or --replace to write over it."
        raise OutputError(message)
    if not (replace or out.exists()) and out.with_suffix(".png").exists():
        message = f"{out.with_suffix('.png')}: is there already; give another name, or --replace to write over it."
        raise OutputError(message)


def _look(photos: Sequence[Path]) -> list[LearnPhoto]:
    """Open and search every photo, with progress on a terminal."""
    from capture.camera.image import open_image
    from capture.camera.learn import MIN_PHOTOS, see_photo
    from fit.errors import InputError

    if len(photos) < MIN_PHOTOS:
        message = (
            f"A lens is learned from at least {MIN_PHOTOS} photos of the sheet; got {len(photos)}. Ten are better."
        )
        raise InputError(message)
    if not sys.stderr.isatty():
        return [see_photo(open_image(path)) for path in photos]
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    return [see_photo(open_image(path)) for path in track(photos, "Finding the sheet", console=console, transient=True)]


def write_whole(files: dict[Path, bytes]) -> None:
    """Write all files or none: to temporary names first."""
    from fit.errors import OutputError

    temporary = {path: path.with_name(f".{path.name}.part") for path in files}
    try:
        for path, data in files.items():
            temporary[path].write_bytes(data)
        for path, part in temporary.items():
            part.replace(path)
    except OSError as error:
        name = next(path for path in files if str(path) == error.filename or str(temporary[path]) == error.filename)
        message = f"{name}: cannot be written ({error.strerror}); check the folder's permissions and space."
        raise OutputError(message) from error
    finally:
        for part in temporary.values():
            part.unlink(missing_ok=True)


def summary(learned: Learned, out: Path) -> str:
    """A few lines for the terminal."""
    import numpy as np

    from capture.camera.coverage import cells_seen
    from capture.camera.learn import ray_error

    profile = learned.profile
    u = 1.96 * np.sqrt(np.diag(profile.cov))
    corners = np.concatenate([piece.px for photo in learned.photos for piece in photo.pieces])
    lens, scale = profile.lens, learned.solved.state.scale
    crossed = ", ".join(f"{name}: {value:.3f}" for name, value in learned.cross_validation.items())
    lines = (
        f"lens of {len(learned.photos)} photos, {len(corners)} corners, {profile.size[0]} × {profile.size[1]} px",
        f"focal length   {lens[0]:.2f} ± {u[0]:.2f} px (95 %), fy/fx {lens[1]:.6f} ± {u[1]:.6f}",
        f"centre         {lens[2]:.2f} ± {u[2]:.2f}, {lens[3]:.2f} ± {u[3]:.2f} px",
        "distortion     "
        + ", ".join(f"{n} {v:.5f}" for n, v in zip(("k1", "k2", "p1", "p2", "k3"), lens[4:], strict=True)),
        f"focusing       changes the focal length by {profile.focus_u:.2%} from shot to shot (standard uncertainty)",
        f"print ratio    x : y = {scale[0] / scale[1]:.5f}",
        f"ray error      {1.96 * np.percentile(ray_error(profile, corners), 95):.3f} px (95 %) where corners were seen",
        f"left-out photo {crossed} px rms by lens model; all five terms are kept",
        f"never seen     {1 - cells_seen(learned).mean():.0%} of the picture, hatched in {out.with_suffix('.png')}",
        *(f"warning        {text}" for text in learned.warnings),
        f"written        {out}",
    )
    return "\n".join(lines)
