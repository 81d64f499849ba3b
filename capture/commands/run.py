"""`edgewright run`: everything that a job file names."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fit.commands.options import OUT

if TYPE_CHECKING:
    from capture.jobs.run import Step

__all__ = ["run"]

_HELP = """Measure everything that a job file names, and write one result folder.

JOB.toml names photos and point lists, features with way-points, dimensions with tolerances, a datum and calculators;
'edgewright job new FILE…' writes a commented starter. Without -o the folder is named after the job file, beside it.
What has not changed since the last run is not worked out again. Exit code 3: done, but a tolerance is not met or not
proven.

\b
Examples
  edgewright run hatch.toml
  edgewright run flange.toml -o results/flange --unit-out fraction
"""


@click.command(help=_HELP, short_help="Measure everything that a job file names.")
@click.argument("job", type=click.Path(path_type=Path), metavar="JOB.toml")
@click.option("-o", "out", type=OUT, help="Folder for the results; beside the job if left out.")
@click.option("--replace", is_flag=True, help="Write into a folder that holds other things than a result.")
@click.option("--json", "as_json", is_flag=True, help="Print results.json and nothing else.")
@click.option(
    "--unit-out",
    type=click.Choice(["mm", "inch", "fraction"]),
    help="Unit of what people read; that of the job if left out. Files stay in mm.",
)
def run(job: Path, out: Path | None, replace: bool, as_json: bool, unit_out: str | None) -> int:
    from capture.camera.told import shot_lines
    from capture.jobs.run import default_folder, run_job
    from fit.commands.show import show
    from fit.units import in_unit

    done = run_job(job, out, replace=replace, unit_out=unit_out, progress=_progress)
    if done.lines and not as_json:
        click.echo("\n".join(in_unit(line, done.unit_out) for line in done.lines))
    show(done.record, done.results, as_json, done.unit_out)
    if not as_json:
        if shots := shot_lines(done.record.get("camera", {})):
            click.echo("\n".join(["", *(in_unit(line, done.unit_out) for line in shots)]))
        told = "written to" if done.fresh else "unchanged since the last run, in"
        click.echo(f"\nResults {told} {out or default_folder(job)}")
    return 0 if done.met else 3


def _progress(steps: Sequence[Step]) -> Iterable[Step]:
    """Show which stage is at work on standard error where that is a terminal."""
    if not sys.stderr.isatty():
        yield from steps
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=len(steps))
        for step in steps:
            bar.update(task, description=step.name)
            yield step
            bar.advance(task)
