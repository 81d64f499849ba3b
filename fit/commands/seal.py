"""`edgewright seal`: length, corners and compression of a rubber seal along a measured path."""

from __future__ import annotations

from pathlib import Path

import click

from fit.commands.options import output_options
from fit.units import LENGTH

__all__ = ["seal"]


@click.command()
@click.argument("results", type=click.Path(path_type=Path), required=False)
@click.option(
    "--pieces",
    help="The path as typed instead of RESULTS: straights, and bends as R radius:turn, such as '400±0.5, R60:90, 220'.",
)
@click.option("--path", "path", help="Name of the path; not needed where there is only one.")
@click.option(
    "--offset",
    required=True,
    help="From the measured edge to the seal's own line (bulb centre, flange edge, groove bottom), mm.",
)
@click.option(
    "--side",
    type=click.Choice(["out", "in", "left", "right"]),
    help="Side of the edge that the line lies on: out of a closed path, left of an open one as walked, unless said.",
)
@click.option(
    "--gap",
    help="Gap along the path: a file of clay thicknesses (along, thickness), a cloud, RESULTS@NAME, or one length.",
)
@click.option("--gap-u", type=LENGTH, help="Standard uncertainty of gaps that do not bring their own, mm.")
@click.option("--unit", type=click.Choice(["mm", "inch"]), help="Unit of a gap file that does not say its own.")
@click.option("--free", help="Free height of the seal, mm, such as 12 or 12±0.4.")
@click.option(
    "--section-class",
    "section_grade",
    type=click.Choice(["E1", "E2", "E3"]),
    help="Class of the extruded section: its limit on the free height, where --free has no ± of its own.",
)
@click.option(
    "--kind",
    type=click.Choice(["bulb", "gasket"]),
    default="bulb",
    show_default=True,
    help="Whose usual compression range to take.",
)
@click.option(
    "--range",
    "range",
    help="Compression wanted, least:most or least:aim:most in percent, from the profile's sheet or your own coupon.",
)
@click.option("--bend-inside", help="Profile's least radius with the bulb on the inside of the bend, mm.")
@click.option("--bend-outside", help="Profile's least radius with the bulb on the outside of the bend, mm.")
@click.option("--allowance", help="The shop's allowance on the length: '0.5%' or mm.")
@click.option(
    "--joint", type=LENGTH, help="Where the ends meet, mm along the edge; by itself the middle of the longest straight."
)
@click.option("--class", "grade", type=click.Choice(["L1", "L2", "L3"]), help="Class of the cut-length tolerance.")
@output_options
def seal(out: Path, replace: bool, as_json: bool, unit_out: str, **options: object) -> int:
    """Length to cut, tightest corners, and compression of a rubber seal along a measured path."""
    from fit.commands.show import show
    from fit.outputs import check_folder
    from fit.seal.demands import demands_met
    from fit.seal.job import run_seal

    check_folder(out, replace)
    plan, found, record = run_seal(out, replace, unit_out, options)
    if as_json:
        show(record, found, True, unit_out)
    else:
        from fit.seal.report import seal_lines

        click.echo("\n".join(seal_lines(plan, unit_out)))
    return 0 if demands_met(plan) else 3
