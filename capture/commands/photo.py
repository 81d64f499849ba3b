"""`edgewright photo`: the part in a printed frame, from one photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fit.commands.options import output_options, paper_option
from fit.units import LENGTH, LENGTH_WITH_LIMIT

__all__ = ["photo"]

_HELP = """Measure a part lying in a printed frame from one photo: outline, holes and slots, without a pick.

Lay the part inside the frame's blank middle, shoot from above so that the whole frame is in the picture, and read the
printed pattern's outer sides with a caliper. HEIGHT is that of the part's upper face above the paper: for a flat plate,
its thickness. A ± typed with it is a limit: --height "1.5±0.1".

\b
Examples
  edgewright photo plate.jpg -o plate --height 2.0 --print-x 179.9 --print-y 239.8
  edgewright photo lid.heic -o lid --height '1/16"' --camera phone.json
"""


@click.command(help=_HELP, short_help="Measure a part lying in a printed frame from one photo.")
@click.argument("picture", type=click.Path(path_type=Path), metavar="PHOTO")
@click.option("--camera", type=click.Path(path_type=Path), help="Lens learned by 'edgewright camera'.")
@click.option(
    "--height", type=LENGTH_WITH_LIMIT, help="Height of the part's face above the paper, mm, with ± if wanted."
)
@click.option("--height-u", type=click.FloatRange(min=0, min_open=True), help="Standard uncertainty of it, mm.")
@click.option("--thickness", type=LENGTH, help="Thickness of the sheet; the height is taken up to 6 mm.")
@click.option("--print-x", type=LENGTH, help="Caliper reading over the printed pattern's side in x, mm.")
@click.option("--print-y", type=LENGTH, help="Caliper reading over the printed pattern's side in y, mm.")
@click.option(
    "--print-u",
    type=click.FloatRange(min=0, min_open=True),
    default=0.02,
    show_default=True,
    help="Standard uncertainty of the readings, mm.",
)
@paper_option
@output_options
def photo(picture: Path, out: Path, replace: bool, as_json: bool, unit_out: str, paper: str, **given: Any) -> None:
    from capture.camera.told import shot_lines, shot_part
    from capture.shooting import ShotOptions, shoot
    from fit.commands.show import show
    from fit.outputs import check_folder, write_result
    from fit.units import in_unit

    check_folder(out, replace)
    shot = shoot(picture, ShotOptions(**given))
    told = shot_part(shot.results.details["camera"])
    record = write_result(
        out,
        shot.results,
        shot.points,
        replace=replace,
        unit_out=unit_out,
        paper=paper,
        files=shot.files,
        report_parts=[told] if told else (),
    )
    show(record, shot.results, as_json, unit_out)
    if not as_json:
        click.echo("\n".join(["", *(in_unit(line, unit_out) for line in shot_lines(record["camera"]))]))
