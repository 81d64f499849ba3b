"""`edgewright target`: write a printable piece."""

from __future__ import annotations

from pathlib import Path

import click

from fit.commands.options import OUT

__all__ = ["target"]


@click.command()
@click.argument("kind", type=click.Choice(["frame", "strips", "sheet", "stickers"]))
@click.option("-o", "out", type=OUT, required=True, help="File to write: .pdf, .svg or .png.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper size.")
@click.option("--first", type=int, default=0, show_default=True, help="Number of the first strip or sticker.")
@click.option("--count", type=click.IntRange(min=1), help="How many; else four strips or a page of stickers.")
@click.option("--replace", is_flag=True, help="Overwrite a file that is not a printed target.")
def target(kind: str, out: Path, paper: str, first: int, count: int | None, replace: bool) -> None:
    """Print a frame (a small part lies inside it), strips (around a large part), the lens sheet, or stickers."""
    from capture.printing import write_target

    for path in write_target(kind, out, paper, first, count, replace):
        click.echo(f"{path}: print it at 100 % on {paper.capitalize()} paper, then check it with a caliper.")
