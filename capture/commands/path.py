"""`edgewright path`: one ordered edge walk to tangent-continuous lines and arcs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fit.commands.options import list_options, output_options, paper_option
from fit.units import LENGTH, named_length

if TYPE_CHECKING:
    from fit.paths import Conditions

__all__ = ["path"]

_HELP = """Cut one edge walk into lines and arcs that run into each other smoothly.

FILE is a text list of points in order along the edge (columns x y z, optional i j k from the surface to the tip,
optional point name). It becomes the fewest lines and arcs that its noise supports, fitted all together; true corners
stay corners. Every length and radius comes with its U95. The path runs from the foot of the first point to that of the
last.

Conditions name pieces by their number in an earlier result: --radius 4=12.7 holds the radius of piece 4, --equal 2,6
makes radii equal, --parallel 1,5 and --square 1,3 hold lines.

\b
Examples
  edgewright path edge.csv -o channel --tip 3 --points centre --plane deck.csv
  edgewright path rim.csv -o rim --points surface --closed --offset 6 --to left --marks 100
"""


@click.command(help=_HELP, short_help="Cut one edge walk into tangent lines and arcs.")
@click.argument("file", type=click.Path(path_type=Path))
@list_options
@click.option("--plane", type=click.Path(path_type=Path), metavar="FILE", help="Touches on the face the edge lies in.")
@click.option(
    "--side",
    type=click.Choice(["left", "right"]),
    help="Side of the edge on which the tip ran, where i j k are missing: looking along the walk, face towards you.",
)
@click.option(
    "--noise", type=LENGTH, metavar="MM", help="Standard uncertainty of a touch; told from the walk itself if left out."
)
@click.option("--closed", is_flag=True, help="The last point is followed by the first.")
@click.option("--radius", "radii", multiple=True, metavar="N=MM", help="Hold the radius of piece N.")
@click.option("--equal", multiple=True, metavar="N,N…", help="Arcs of one radius.")
@click.option("--parallel", multiple=True, metavar="N,N", help="Lines that are parallel.")
@click.option("--square", multiple=True, metavar="N,N", help="Lines that are square to each other.")
@click.option("--offset", type=LENGTH, metavar="MM", help="Also give the path moved aside by this much; needs --to.")
@click.option("--to", type=click.Choice(["left", "right"]), help="Side to which --offset moves it.")
@click.option("--marks", type=LENGTH, metavar="MM", help="Also give evenly spaced marks, about this far apart.")
@paper_option
@output_options
def path(
    file: Path,
    out: Path,
    replace: bool,
    as_json: bool,
    unit_out: str,
    paper: str,
    offset: float | None,
    to: str | None,
    marks: float | None,
    radii: Sequence[str],
    equal: Sequence[str],
    parallel: Sequence[str],
    square: Sequence[str],
    **given: Any,
) -> None:
    from capture.arm.walked import WalkOptions, measure_walk, report_parts, walk_details
    from fit.commands.show import show
    from fit.errors import InputError
    from fit.outputs import check_folder, write_result
    from fit.paths import offset_path
    from fit.results import Results, Source

    check_folder(out, replace)
    if (offset is None) != (to is None):
        message = "--offset and --to go together: how far to move the path, and to which side."
        raise InputError(message)
    options = WalkOptions(conditions=_conditions(radii, equal, parallel, square), **given)
    walked = measure_walk(file, options)
    details = walk_details(walked.path, marks)
    moved = offset_path(walked.path, offset, to) if offset is not None and to is not None else None
    results = Results(
        frame=walked.frame,
        sources=[Source.of(name) for name in (file, options.plane) if name is not None],
        features=[walked.path.feature, *([moved.feature] if moved else []), *walked.planes],
        warnings=[*walked.notices, *(moved.notices if moved else ())],
        details={"path": details},
    )
    parts = report_parts(walked.path, details)
    record = write_result(
        out,
        results,
        walked.path.points.named("path"),
        replace=replace,
        unit_out=unit_out,
        paper=paper,
        report_parts=parts,
    )
    show(record, results, as_json, unit_out)


def _conditions(
    radii: Sequence[str], equal: Sequence[str], parallel: Sequence[str], square: Sequence[str]
) -> Conditions:
    """Conditions as typed."""
    from fit.errors import InputError
    from fit.paths import Conditions

    held: dict[int, float] = {}
    for text in radii:
        number, _, size = text.partition("=")
        if not (number.strip().isdecimal() and size):
            message = f"--radius must read N=MM, such as 4=12.7; got '{text}'."
            raise InputError(message)
        held[int(number)] = named_length(size, f"--radius {text}").value
    groups = [_numbers(text, "--equal") for text in equal]
    lines, right = (
        [_pair(text, word) for text in texts] for texts, word in ((parallel, "--parallel"), (square, "--square"))
    )
    return Conditions(held, tuple(groups), tuple(lines), tuple(right))


def _numbers(text: str, option: str) -> tuple[int, ...]:
    from fit.errors import InputError

    try:
        numbers = tuple(int(part) for part in text.split(","))
    except ValueError:
        numbers = ()
    if len(set(numbers)) < 2 or len(set(numbers)) < len(numbers):
        message = f"{option} must name different pieces by number, such as 1,3; got '{text}'."
        raise InputError(message)
    return numbers


def _pair(text: str, option: str) -> tuple[int, int]:
    from fit.errors import InputError

    numbers = _numbers(text, option)
    if len(numbers) != 2:
        message = f"{option} must name two pieces, such as 1,3; got '{text}'."
        raise InputError(message)
    return numbers[0], numbers[1]
