"""`edgewright bend`: flat blank of a bent sheet part."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from fit.commands.options import output_options

__all__ = ["bend"]

_HELP = """Flat blank of a bent sheet part: bend lines, allowance, deduction and flat length with its ±.

Legs run from edge or sharp outer corner to the next one (see --legs-to); angles are turns away from flat, negative ones
bend down as seen from the marked face. With RESULTS and --faces the angles, and each leg typed as '?', are measured.
K is never chosen silently: bend a coupon, or name the number or rule to use.

\b
Examples
  edgewright bend -o tray --legs 25,60,25 --angles 90,90 --radius 2 --thickness 1.5 --k coupon:brake --coupons shop.json
  edgewright bend -o web --legs 50,30 --angles 90 --radius 3 --thickness 2 --k 0.44±0.02 --material 5052-H32
  edgewright bend probe/results.json -o web --faces left,web,right --legs 20,?,20 --radius 3 --thickness 2 --k din
  edgewright bend -o test --coupon brake --blank 100 --legs 51.6,51.5 --radius 2 --thickness 1.5 --store shop.json
"""


@click.command(help=_HELP, short_help="Flat blank of a bent sheet part.")
@click.argument("results", required=False)
@click.option("--legs", metavar="MM,…", help="Legs in order, with ± if known; '?' for a measured one.")
@click.option("--angles", metavar="DEG,…", help="Bend angles in order, turns away from flat; negative bends down.")
@click.option(
    "--radius",
    metavar="MM[,MM…]",
    help="Inside radius, one or one for each bend; or inside:NAME, outside:NAME of a measured cylinder.",
)
@click.option("--thickness", metavar="MM|GAUGE", help="Sheet thickness, or a gauge like '16 ga steel'.")
@click.option("--k", metavar="K|RULE", help="0.44±0.02, coupon:NAME, din, faa, handbook:MATERIAL or table:MATERIAL.")
@click.option(
    "--legs-to",
    type=click.Choice(["sharp", "tangent", "inside", "flat", "marked"]),
    default="sharp",
    show_default=True,
    help="What legs run to.",
)
@click.option(
    "--unit", type=click.Choice(["mm", "inch"]), default="mm", show_default=True, help="Unit of bare numbers."
)
@click.option("--material", help="For minimum radius, such as 5052-H32, 'mild steel', 'steel 370' or 304.")
@click.option("--grain", type=click.Choice(["across", "along", "unknown"]), default="unknown", show_default=True)
@click.option("--width", type=float, help="Width of the blank, mm.")
@click.option("--hole", "holes", multiple=True, metavar="NAME:LEG:ALONG:ACROSS:DIAMETER", help="A hole in a leg, mm.")
@click.option("--faces", metavar="NAME,…", help="Measured planes in order, touched on one face of the sheet.")
@click.option("--outline", is_flag=True, help="Draw the straight edges of RESULTS' outline with their numbers.")
@click.option("--flange", "flanges", multiple=True, metavar="EDGE:HEIGHT:ANGLE", help="A flange along an edge.")
@click.option("--springback", metavar="RULE", help="table:MATERIAL, elastic:YIELD_MPA:MODULUS_GPA or factor:0.97.")
@click.option("--joggle", metavar="DEPTH[:angle=DEG|:run=MM]", help="Sums of an offset bend.")
@click.option("--curved", metavar="RADIUS:WIDTH:in|out", help="What a flange on a curved edge does to the metal.")
@click.option("--coupons", metavar="FILE", help="File of coupons for --k coupon:NAME.")
@click.option("--coupon", metavar="NAME", help="Work out a bent coupon under this name (tool and sheet).")
@click.option("--blank", metavar="MM", help="Coupon: length of the strip before bending.")
@click.option("--tool-angle", metavar="DEG", help="Coupon: angle set on the tool, for springback.")
@click.option("--store", metavar="FILE", help="Coupon: file of coupons to keep it in.")
@click.option("--coupon-sheet", is_flag=True, help="Draw the coupon to cut and measure.")
@output_options
def bend(out: Path, replace: bool, as_json: bool, unit_out: str, **given: Any) -> None:
    from fit.bend.command import BendOptions, finish
    from fit.commands.show import show
    from fit.outputs import check_folder, write_result

    check_folder(out, replace)
    done = finish(BendOptions(unit_out=unit_out, **given))
    record = write_result(
        out, done.results, replace=replace, unit_out=unit_out, drawing=done.drawing, report_parts=done.parts
    )
    if not as_json:
        click.echo("\n".join(done.lines))
    show(record, done.results, as_json, unit_out)
