"""`edgewright clear`: smallest gap between a fixed and a moving part through a motion."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

import click

from fit.commands.options import output_options
from fit.units import LENGTH

__all__ = ["clear"]

_FILES = click.Path(path_type=Path)


def _list_situations(context: click.Context, _: click.Parameter, value: str | None) -> str | None:
    """Print the situations and leave where the value is ``list``."""
    if value != "list":
        return value
    from fit.clearance.margin import SITUATIONS

    for name, known in SITUATIONS.items():
        click.echo(f"{name:<29} {known.wanted:>4g} mm  {known.words} ({known.source})")
    click.echo("Parked gaps, which contain normal movement; where play or rock is typed, 5 mm left over are asked for.")
    context.exit(0)


@click.command()
@click.option(
    "--fixed",
    type=_FILES,
    multiple=True,
    required=True,
    help="Fixed part: PLY, XYZ, points.npz or results.json; FILE@NAME takes one feature. May be given several times.",
)
@click.option("--moving", type=_FILES, multiple=True, required=True, help="Moving part, as it stands at position 0.")
@click.option("--hinge", help="Axis 'x,y,z:dx,dy,dz' in mm; angles are right-hand about d.")
@click.option(
    "--hinge-marks",
    type=_FILES,
    help="Marks touched at several openings (rows opening, mark, x, y, z): the axis is fitted.",
)
@click.option("--angles", help="Openings first:last:step in degrees; both ends are held.")
@click.option("--slide", help="Direction 'dx,dy,dz' of a slide.")
@click.option("--travel", help="Travel first:last:step in mm along the slide.")
@click.option("--poses", type=_FILES, help="Free list of poses: 6 or 12 numbers a line.")
@click.option(
    "--unit",
    type=click.Choice(["mm", "inch"]),
    help="Unit of files that do not say theirs (must not disagree with one that does); typed numbers are mm.",
)
@click.option("--cloud-u", type=LENGTH, help="Standard uncertainty of points whose file does not give it, mm.")
@click.option("--section", type=LENGTH, help="Diameter that a path stands for (seal, hose, cable), mm.")
@click.option("--play", type=LENGTH, default="0", show_default=True, help="Play in any direction, mm.")
@click.option(
    "--rock", default="0,0,0", show_default=True, help="Movement ± along x, y, z, such as a motor that rocks, mm."
)
@click.option("--wanted", type=LENGTH, help="Gap that must be left after movement and U95, mm.")
@click.option(
    "--situation",
    is_eager=True,
    callback=_list_situations,
    help="Ask for the usual gap of a situation; 'list' shows them.",
)
@output_options
def clear(out: Path, replace: bool, as_json: bool, unit_out: str, **options: object) -> int:
    """Smallest gap between a fixed and a moving part through a hinge, a slide or a list of poses."""
    from fit.clearance.job import run_clear
    from fit.commands.show import show
    from fit.outputs import check_folder

    check_folder(out, replace)
    found, results, record = run_clear(out, replace, unit_out, options, _progress)
    if as_json:
        show(record, results, True, unit_out)
    else:
        from fit.clearance.report import clear_lines

        click.echo("\n".join(clear_lines(found, unit_out)))
    return 0 if found.margin.verdict in (None, "inside") else 3


def _progress(positions: Iterable[int]) -> Iterable[int]:
    """Show a bar on standard error where that is a terminal."""
    if not sys.stderr.isatty():
        return positions
    from rich.console import Console
    from rich.progress import track

    return track(list(positions), "positions", console=Console(stderr=True), transient=True)
