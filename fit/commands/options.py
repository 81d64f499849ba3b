"""Options that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from fit.units import LENGTH

__all__ = ["OUT", "list_options", "output_options", "paper_option"]

F = TypeVar("F", bound=Callable[..., Any])


class _OutType(click.Path):
    """A place to write to; an empty name would be the folder one stands in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not str(value):
            self.fail("the name is empty; give a name, or . for the folder you stand in.", param, ctx)
        return super().convert(value, param, ctx)


OUT = _OutType(path_type=Path)


def output_options(command: F) -> F:
    """-o, --replace, --json and --unit-out: where results go and how people read them."""
    for option in (
        click.option(
            "--unit-out",
            type=click.Choice(["mm", "inch", "fraction"]),
            default="mm",
            show_default=True,
            help="Unit of what people read; files stay in mm.",
        ),
        click.option("--json", "as_json", is_flag=True, help="Print results.json and nothing else."),
        click.option("--replace", is_flag=True, help="Write into a folder that holds other things than a result."),
        click.option("-o", "out", type=OUT, required=True, help="Folder for the results; made if missing."),
    ):
        command = option(command)
    return command


def list_options(command: F) -> F:
    """--unit, --tip, --tip-u and --points: how to read an arm point list."""
    for option in (
        click.option("--unit", type=click.Choice(["mm", "inch"]), help="Unit of the list where it does not say."),
        click.option("--tip", type=LENGTH, help="Tip diameter, mm."),
        click.option(
            "--tip-u",
            type=LENGTH,
            default="0.003",
            show_default=True,
            help="Standard uncertainty of the tip's diameter, mm.",
        ),
        click.option(
            "--points",
            type=click.Choice(["centre", "surface"]),
            help="What the list holds: tip centres or surface points.",
        ),
    ):
        command = option(command)
    return command


def paper_option(command: F) -> F:
    """--paper: sheet size of sketch and template."""
    choice = click.Choice(["a4", "letter", "a3"])
    told = "Paper of the sketch and the 1:1 template."
    return click.option("--paper", type=choice, default="a4", show_default=True, help=told)(command)
