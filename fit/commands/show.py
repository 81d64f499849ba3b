"""What a command prints when it is done: a short table for people, or results.json for scripts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import click

from fit.report.alike import told_once
from fit.report.words import VALUE_WORDS, feature_sizes, size_text
from fit.resultfile import record_text
from fit.results import Notice, Results
from fit.units import format_angle, format_length, in_unit

__all__ = ["result_table", "show"]


def show(record: Mapping[str, Any], results: Results, as_json: bool = False, unit_out: str = "mm") -> None:
    """Print the record as JSON and nothing else, or a table of features, dimensions and warnings."""
    if as_json:
        click.echo(record_text(record), nl=False)
        return
    notices = [Notice(n["code"], n["text"], n.get("feature", "")) for n in record["warnings"]]
    for line in result_table(replace(results, warnings=notices), unit_out):
        click.echo(line)


def result_table(results: Results, unit_out: str = "mm") -> list[str]:
    """The lines of the table; every ± is U95."""
    rows = [_feature_row(feature, unit_out) for feature in results.features]
    lines = [*_aligned(rows)]
    if results.dimensions:
        lines += ["", *_aligned([_dimension_row(item, unit_out) for item in results.dimensions])]
    if results.warnings:
        lines += [""]
        lines += [
            f"{notice.code}{f' ({notice.feature})' if notice.feature else ''}: {in_unit(notice.text, unit_out)}"
            for notice in told_once(results.warnings)
        ]
    return lines


def _feature_row(feature: Any, unit_out: str) -> list[str]:
    cells = [feature.name]
    cells += [
        f"{VALUE_WORDS.get(key, key)} {size_text(feature, key, unit_out)}"
        for key in feature_sizes(feature)
        if key != "span"
    ]
    form = {key: figure for key, figure in feature.form.items() if not key.endswith("_least_squares")}
    cells += [f"{key.replace('_', ' ')} {format_length(figure, None, unit_out)}" for key, figure in form.items()]
    return cells


def _dimension_row(item: Any, unit_out: str) -> list[str]:
    write = format_angle if item.is_angle else lambda v, u: format_length(v, u, unit_out)
    cells = [item.name, write(item.value.value, item.value.u95)]
    if item.lower is not None or item.upper is not None:
        low, high = (
            ""
            if limit is None or math.isinf(limit)
            else (format_angle(limit) if item.is_angle else format_length(limit, None, unit_out))
            for limit in (item.lower, item.upper)
        )
        cells.append(f"wanted {low} to {high}")
    return [*cells, item.verdict] if item.verdict else cells


def _aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    if not rows:
        return []
    widths = [max((len(row[i]) for row in rows if i < len(row)), default=0) for i in range(max(map(len, rows)))]
    return ["  ".join(cell.ljust(widths[i]) for i, cell in enumerate(row)).rstrip() for row in rows]
