"""`edgewright rod`: bending schedule of a bent rod or tube."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fit.commands.options import list_options, output_options
from fit.units import LENGTH

__all__ = ["rod"]

_HELP = """Bending schedule of a bent rod or tube, with ± on every figure.

FILE is a point list whose feature column names the straight runs run_1, run_2 … in feed order and the end faces end_a
and end_b; touches named bend_1, bend_2 … give the radius where --radius is not known. Without FILE, --corners or
--schedule take typed rods. Rotation is right-hand about the direction of feed, from end a.

\b
Examples
  edgewright rod hook.csv -o hook --rod-diameter 8 --radius 24 --tip 3 --points centre
  edgewright rod -o hook --rod-diameter 8 --radius 24 --corners "0,0,0; 100,0,0; 100,80,0; 100,80,60"
  edgewright rod -o hook --rod-diameter 8 --radius 24 --schedule "76:0:90; 32:90:90; 36" --coupon 90:86.5
"""


@click.command(help=_HELP, short_help="Bending schedule of a bent rod or tube.")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--rod-diameter", required=True, metavar="MM", help="Diameter of the bar, with ± if known.")
@click.option("--radius", metavar="MM[,MM…]", help="Bend radius to the centre line: one, or one for each bend.")
@list_options
@click.option("--corners", metavar="TEXT|FILE", help="Corner points of the centre line, ends included.")
@click.option("--schedule", metavar="TEXT|FILE", help="straight:rotation:bend; …; straight, or a results.json.")
@click.option("--coupon", metavar="DIE:AFTER", help="Springback of the same bar: die angle and angle after release.")
@click.option("--grip", type=LENGTH, default="0", help="Least straight between bends, mm; else 2 diameters.")
@click.option("--die-height", type=LENGTH, default="0", help="Height of the die's body, mm; else 2 diameters.")
@click.option("--tight", is_flag=True, help="Do not refuse a radius below 2 diameters.")
@click.option("--paper", type=click.Choice(["a4", "a3", "letter"]), default="a4", show_default=True)
@output_options
def rod(file: Path | None, out: Path, replace: bool, as_json: bool, unit_out: str, **given: Any) -> None:
    from fit.commands.show import show
    from fit.outputs import check_folder, write_result
    from fit.rod.command import RodOptions, finish
    from fit.rod.record import rod_lines

    check_folder(out, replace)
    options = RodOptions(unit_out=unit_out, **given)
    listed = _points(file, options.unit) if file else None
    corners = _corner_list(given["corners"], options.unit)
    done = finish(options, listed, corners)
    record = write_result(
        out,
        done.results,
        done.points,
        replace=replace,
        unit_out=unit_out,
        files=done.files,
        drawing=done.drawing,
        report_parts=done.parts,
    )
    if not as_json:
        click.echo("\n".join([*rod_lines(done.figures, done.factor, unit_out), ""]))
    show(record, done.results, as_json, unit_out)


def _points(file: Path, unit: str | None) -> tuple[Any, list[Any]]:
    """The touches of a list, in mm, and what reading it told."""
    from fit.lists import read_list
    from fit.points import Points

    listed = read_list(file, unit)
    points = Points(xyz=listed.xyz, label=listed.names, frame="as the arm's list has it", source=str(file))
    return points, list(listed.notices)


def _corner_list(typed: str | None, unit: str | None) -> Any:
    """Corner points of a file; None where the text is not a file's name."""
    if typed is None or ";" in typed or not Path(typed).is_file():
        return None
    from fit.lists import read_list

    return read_list(typed, unit).xyz
