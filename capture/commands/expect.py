"""`edgewright expect`: the ± that a set-up will give, before anything is shot."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from fit.units import LENGTH, LENGTH_WITH_LIMIT

if TYPE_CHECKING:
    from capture.forecast.expect import Expected, SetUp

__all__ = ["expect"]

_HELP = """Tell the ± that a set-up will give before anything is shot, and what would better it.

Corners and edges as a real photo shows them go through the same solver as a real photo. Without --strips or --piece a
frame is taken where the part fits in it, else four strips, six from 700 mm on.

\b
Examples
  edgewright expect --part 110x160
  edgewright expect --part 900x500 --distance 1000 --strips 4 --height 1.2
  edgewright expect --part 120x90 --height "37±0.5" --tilt 0 --learned
"""


class _Pair(click.ParamType):  # type: ignore[type-arg]
    """Two lengths such as 900x500."""

    name = "W×H"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, float]:
        from fit.errors import InputError
        from fit.units import parse_length

        if isinstance(value, tuple):
            return value
        parts = str(value).lower().replace("×", "x").split("x")
        try:
            width, height = (parse_length(part).value for part in parts)
        except (InputError, ValueError):
            self.fail(f"'{value}' must be two sizes such as 900x500.", param, ctx)
        if not (0 < width <= 1e5 and 0 < height <= 1e5):
            self.fail(f"'{value}': both sizes must be above 0 and below 100 m.", param, ctx)
        return width, height


@click.command(help=_HELP, short_help="The ± that a set-up will give, before shooting.")
@click.option("--part", type=_Pair(), default="110x160", show_default=True, help="Width and height of the part, mm.")
@click.option("--strips", type=click.IntRange(min=0), help="This many strips round the part; 0 for the frame.")
@click.option(
    "--piece",
    "pieces",
    multiple=True,
    help="A piece and its place: 'strip 3@-60,120,90' (mm from the part's lower left, degrees).",
)
@click.option("--distance", type=LENGTH, help="Camera to the bench, mm; left out, the nearest that shows everything.")
@click.option(
    "--px-per-mm", type=click.FloatRange(min=0, min_open=True), help="Scale of the picture, instead of the distance."
)
@click.option(
    "--tilt", type=click.FloatRange(0, 60), default=10.0, show_default=True, help="Of the view from square-on, degrees."
)
@click.option(
    "--height",
    type=LENGTH_WITH_LIMIT,
    default="1.5",
    show_default=True,
    help="Height of the part's face above the paper, mm, with ± if wanted.",
)
@click.option("--height-u", type=click.FloatRange(min=0, min_open=True), help="Standard uncertainty of it, mm.")
@click.option("--thickness", type=LENGTH, help="Thickness of the sheet; the height is taken up to 6 mm.")
@click.option("--rounded", is_flag=True, help="The upper edges are rounded by 0.2 mm (deburred) instead of sharp.")
@click.option(
    "--print-u",
    type=click.FloatRange(min=0, min_open=True),
    default=0.02,
    show_default=True,
    help="Standard uncertainty of the caliper readings over the print, mm.",
)
@click.option("--print-unknown", is_flag=True, help="The print is not measured.")
@click.option("--camera", type=click.Path(path_type=Path), help="Lens learned by 'edgewright camera'.")
@click.option("--learned", is_flag=True, help="As if the lens had been learned.")
@click.option(
    "--focal-35",
    type=click.FloatRange(8, 300),
    default=26.0,
    show_default=True,
    help="Focal length as EXIF gives it for 35 mm film, mm.",
)
@click.option("--pixels", type=_Pair(), default="4000x3000", show_default=True, help="Size of the picture.")
@click.option(
    "--unit-out",
    type=click.Choice(["mm", "inch", "fraction"]),
    default="mm",
    show_default=True,
    help="Unit of what people read.",
)
@click.option("--json", "as_json", is_flag=True, help="Print a record and nothing else.")
def expect(as_json: bool, unit_out: str, **given: Any) -> None:
    import json

    from capture.forecast.expect import camera_of, expected_sizes
    from capture.forecast.expect_advice import advice_for

    setup = _setup(given)
    found, camera = expected_sizes(setup), camera_of(setup)
    advice = advice_for(setup, found, unit_out)
    told = {
        "target": setup.layout.words,
        "distance": camera.distance,
        "px_per_mm": camera.px_per_mm,
        "tilt": math.degrees(setup.tilt),
    }
    if as_json:
        sizes = [
            {"name": s.name, "value": s.nominal, "u95": s.value.u95, "dominant": s.worst, "budget": s.value.budget()}
            for s in found
        ]
        record = {"format": "edgewright-expect", "version": 1, "unit": "mm", **told, "sizes": sizes, "advice": advice}
        click.echo(json.dumps(record, indent=1))
        return
    click.echo("\n".join(_table(setup, told, found, unit_out)))
    click.echo(f"\n{advice}")


def _setup(given: dict[str, Any]) -> SetUp:
    """The options as a set-up. Raises InputError for those that cannot be together."""
    from capture.camera.profile import read_profile
    from capture.forecast.expect import SetUp
    from fit.errors import InputError

    if given["distance"] is not None and given["px_per_mm"] is not None:
        message = "Give either --distance or --px-per-mm, not both."
        raise InputError(message)
    if given["distance"] is not None and given["distance"] <= 0:
        message = f"--distance must be above 0 mm; got {given['distance']:g}."
        raise InputError(message)
    setup = SetUp(
        part=given["part"],
        layout=_layout(given),
        distance=given["distance"],
        tilt=math.radians(given["tilt"]),
        size=tuple(round(side) for side in given["pixels"]),
        focal_35=given["focal_35"],
        camera=read_profile(given["camera"]) if given["camera"] else None,
        learned=given["learned"],
        print_u=None if given["print_unknown"] else given["print_u"],
        rounding=0.2 if given["rounded"] else 0.0,
        **_height(given),
    )
    if given["px_per_mm"] is None:
        return setup
    return _at(setup, float(setup.lens[0]) / given["px_per_mm"])


def _at(setup: SetUp, distance: float) -> SetUp:
    from dataclasses import replace

    return replace(setup, distance=distance)


def _layout(given: dict[str, Any]) -> Any:
    import numpy as np

    from capture.forecast.layout import Layout, layout_of, parse_piece
    from fit.errors import InputError

    if not given["pieces"]:
        return layout_of(given["part"], given["strips"])
    if given["strips"] is not None:
        message = "Give either --strips or --piece, not both."
        raise InputError(message)
    placed = sorted((parse_piece(text) for text in given["pieces"]), key=lambda p: (p[0].kind != "frame", p[0].number))
    if len({piece for piece, _ in placed}) < len(placed):
        message = "Every --piece must be another one: the same piece twice in a photo cannot be told apart."
        raise InputError(message)
    return Layout(tuple(piece for piece, _ in placed), np.array([place for _, place in placed]))


def _height(given: dict[str, Any]) -> dict[str, float]:
    """Height, thickness and how well both are known, as `edgewright photo` takes them."""
    from capture.edges.lying import Typed, knowledge_of
    from fit.errors import InputError

    height, u, thickness = given["height"], given["height_u"], given["thickness"]
    if u is not None and height.limit is not None:
        message = "--height has a ± already; give either the ± or --height-u, not both."
        raise InputError(message)
    if not 0 <= height.value <= 500:
        message = f"The height must be 0 to 500 mm above the target; got {height.value:g}."
        raise InputError(message)
    known, _ = knowledge_of(Typed(height.value, u or height.u, thickness))
    sheet = known.sheet
    return {"height": sheet.height, "height_u": known.height_u, "thickness": sheet.thickness, "foot_u": known.foot_u}


def _table(setup: SetUp, told: dict[str, Any], found: tuple[Expected, ...], unit_out: str) -> list[str]:
    """Lines for people: the set-up, then each size with its ± and what carries most of it."""
    from capture.forecast.expect_advice import SOURCES
    from fit.units import MM_PER_INCH, format_length

    away = f"{told['distance']:.0f} mm" if unit_out == "mm" else f"{told['distance'] / MM_PER_INCH:.0f} in"
    lens = "learned" if setup.camera or setup.learned else "from EXIF"
    lines = [
        f"{told['target']}, camera {away} away, tilt "
        f"{told['tilt']:.0f}°, {told['px_per_mm']:.1f} px per mm, lens {lens}",
        "",
    ]
    rows = [("size", "value ± U95", "most of it from")]
    for size in found:
        budget = size.value.budget()
        share = budget[size.worst] ** 2 / size.value.u95**2
        source = SOURCES.get(size.worst, size.worst)
        rows.append((size.name, format_length(size.nominal, size.value.u95, unit_out), f"{source} ({share:.0%})"))
    widths = [max(len(row[i]) for row in rows) for i in range(3)]
    return lines + ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
