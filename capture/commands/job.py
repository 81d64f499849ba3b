"""`edgewright job`: start a job file, or show what may stand in one."""

from __future__ import annotations

from pathlib import Path

import click

from fit.commands.options import OUT
from fit.units import LENGTH

__all__ = ["job"]


@click.group(invoke_without_command=True, short_help="Start a job file, or print its schema.")
@click.pass_context
def job(ctx: click.Context) -> None:
    """Make a job file for 'edgewright run', or print the schema of its keys."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@job.command(short_help="Write a commented starter job.")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("-o", "out", type=OUT, help="The job file; job.toml beside the first FILE if left out.")
@click.option("--height", type=LENGTH, help="Of the part's face above the print, mm: the grid is drawn there.")
@click.option("--replace", is_flag=True, help="Write over an earlier file of that name.")
def new(files: tuple[Path, ...], out: Path | None, height: float | None, replace: bool) -> None:
    """Write a commented starter job from photos, point lists and a camera.json.

    Each photo is looked at for printed pieces; beside the job lies a picture of each with a grid of mm, to read
    way-points from. Of a face well above the print give the --height, or its places read too far out.

    \b
    Examples
      edgewright job new photo1.jpg photo2.jpg camera.json -o flange.toml
      edgewright job new photo1.jpg --height 37.4 -o bracket.toml
      edgewright job new place_1.csv place_2.csv
    """
    from capture.jobs.save import save_files
    from capture.jobs.starter import starter_job

    path = out or files[0].parent / "job.toml"
    found = starter_job(files, path, height)
    written = save_files(path.parent, {path.name: found.text.encode(), **found.pictures}, replace=replace)
    for name in written:
        click.echo(f"written {path.parent / name}")


@job.command(short_help="Print the JSON Schema of job files.")
def schema() -> None:
    """Print the JSON Schema of job files, for editors that check while you type."""
    from capture.jobs.schema import schema_text

    click.echo(schema_text(), nl=False)
