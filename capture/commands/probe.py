"""`edgewright probe`: arm point lists to features in one frame."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fit.commands.options import list_options, output_options, paper_option

__all__ = ["probe"]

_HELP = """Fit features to point lists from a digitizing arm.

FILES are text lists (columns x y z, optional i j k from the surface to the tip, optional feature name; any usual
separator, decimal comma, header or none) or PLY clouds. Several files are stations of one arm, tied by features touched
in all of them; the first is the frame.

Touches under one name make one feature. Its kind comes from --fit, else from the name's words and the residuals. Holes,
arcs and slots are projected into the face they were touched below. With --points centre the surface is found one tip
radius back along the fitted feature's own normal; i j k only tell the side. Without i j k, --side in or out says whether
the tip was inside or outside a round feature (for some features alone: --side 'hole_*=in'); for a plane, out is the side
of the arm's base. Stray touches are left out and named.

Kinds for --fit: plane, circle, arc, slot, line, sphere, cylinder, cone. Kinds for --dim: distance, angle, offset,
pitch_circle, diameter, radius, length, width, and symmetry (adds the plane midway between two sides).

--datum takes a primary, secondary and tertiary feature (a plane, then a line, plane or hole, then a plane or hole), or a
list of nominal points named like the features. --closing names points touched at the start and again later: where they
disagree the base has moved, and what was taken after the last agreement is left out. --tip-u is the standard
uncertainty of the tip's diameter.

\b
Examples
  edgewright probe flange.csv -o flange --tip 6 --points centre
  edgewright probe a.csv b.csv -o tower --tip 6 --points centre --tie 'ball_*' --fit 'hole_*=circle@top_face' \\
      --datum top_face,bore,hole_1 --dim 'bolts=pitch_circle:hole_*'
"""


@click.command(help=_HELP, short_help="Fit features to point lists from a digitizing arm.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILES...")
@list_options
@click.option("--fit", "fits", multiple=True, metavar="NAME=KIND[@PLANE]", help="Kind of the features a pattern fits.")
@click.option(
    "--tie", "ties", multiple=True, metavar="NAME", help="Features (pattern) that tie several lists together."
)
@click.option("--datum", metavar="P,S,T", help="Primary, secondary, tertiary feature; or a list of nominal points.")
@click.option(
    "--dim", "dims", multiple=True, metavar="NAME=KIND:A:B", help="A dimension, such as d=distance:hole_1:hole_2."
)
@click.option("--closing", multiple=True, metavar="NAME", help="Points touched at the start and again at the end.")
@click.option("--tip-ball", metavar="NAME[=MM]", help="Ball of known diameter from whose touches the tip is found.")
@click.option(
    "--side", "sides", multiple=True, metavar="[NAME=]SIDE", help="Side of the tip where i j k are missing: in, out …"
)
@paper_option
@output_options
def probe(
    files: tuple[Path, ...], out: Path, replace: bool, as_json: bool, unit_out: str, paper: str, **given: Any
) -> None:
    from capture.arm.probing import ProbeOptions, measure
    from fit.commands.show import show
    from fit.outputs import check_folder, write_result

    check_folder(out, replace)
    found = measure(files, ProbeOptions(**given))
    record = write_result(
        out, found.results, found.points, replace=replace, unit_out=unit_out, paper=paper, report_parts=found.parts
    )
    show(record, found.results, as_json, unit_out)
