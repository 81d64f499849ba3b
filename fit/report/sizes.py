"""The tables of sizes on the report page: value, U95, verdict, and where the uncertainty comes from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from fit.feature import Feature
from fit.report.plots import budget_bar
from fit.report.words import MAIN, VALUE_WORDS, budget_entry, feature_sizes, size_text
from fit.results import Dimension
from fit.units import format_angle, format_length, in_unit

__all__ = ["dimension_section", "feature_section"]

_PLAIN = (str, int, float, bool)
_SAID = ("accurate_enough", "largest_source", "advice", "tolerance")
_CLASS = {"inside": "inside", "outside": "outside", "not proven": "unproven"}


def dimension_section(dimensions: Sequence[Dimension], unit_out: str) -> str:
    """Sizes that were asked for, each with its verdict and whether the measurement is good enough for it."""
    if not dimensions:
        return ""
    wanted = any(_is_limit(limit) for item in dimensions for limit in (item.lower, item.upper))
    rows = "".join(_dimension_row(item, unit_out, wanted) for item in dimensions)
    asked = "<th>wanted</th><th>verdict</th>" if wanted else ""
    head = f"<tr><th>size</th><th>measured</th>{asked}<th>where the ± comes from</th></tr>"
    rule = (
        "Inside and outside are proven with the uncertainty taken off; not proven means that the interval touches a "
        "limit (decision rule of ISO 14253-1)."
    )
    table = f'<table class="stack"><thead>{head}</thead><tbody>{rows}</tbody></table>'
    words = f"<p>{rule}</p>" if any(item.verdict for item in dimensions) else ""
    return f'<section class="long"><h2>Sizes</h2>{table}{_remedies(dimensions)}{words}</section>'


def _dimension_row(item: Dimension, unit_out: str, wanted: bool) -> str:
    value = item.value
    measured = _write(item, value.value, value.u95, unit_out)
    limits = [_write(item, limit, None, unit_out) for limit in (item.lower, item.upper) if _is_limit(limit)]
    verdict = (
        f'<span class="verdict {_CLASS.get(item.verdict, "")}">{escape(item.verdict)}</span>' if item.verdict else ""
    )
    said = f"<td>{escape(' to '.join(limits))}</td>", f"<td>{verdict}<small>{escape(enough(item))}</small></td>"
    asked = said if wanted else ()
    cells = (
        f"<td>{escape(item.name)}<small>{escape(_more(item))}</small></td>",
        f'<td class="figure">{escape(measured)}</td>',
        *asked,
        f"<td>{budget_bar(value.budget())}</td>",
    )
    return f"<tr>{''.join(cells)}</tr>"


def _more(item: Dimension) -> str:
    """Further plain entries of a dimension in words, but for those that the row says by itself."""
    told = {key: said for key, said in item.extra.items() if key not in _SAID and isinstance(said, _PLAIN)}
    figures = {key: f"{said:.5g}" if isinstance(said, float) else str(said) for key, said in told.items()}
    return ", ".join(f"{key.replace('_', ' ')} {said}" for key, said in figures.items())


def _is_limit(limit: float | None) -> bool:
    return limit is not None and math.isfinite(limit)


def _write(item: Dimension, value: float | None, u95: float | None, unit_out: str) -> str:
    if value is None:
        return ""
    return format_angle(value, u95) if item.is_angle else format_length(value, u95, unit_out)


def enough(item: Dimension) -> str:
    """Whether U95 is small enough for the tolerance: a quarter of it is good, half of it the most (common practice)."""
    if item.lower is None or item.upper is None or not (_is_limit(item.lower) and _is_limit(item.upper)):
        return ""
    share = item.value.u95 / (item.upper - item.lower) if item.upper > item.lower else math.inf
    if share <= 0.25:
        return "accurate enough for this tolerance"
    return "just accurate enough" if share <= 0.5 else "not accurate enough for this tolerance"


def _remedies(dimensions: Sequence[Dimension]) -> str:
    """What would make the sizes better known, by the largest part of their ±, and which sizes it holds for."""
    names: dict[tuple[str, str], list[str]] = {}
    for item in dimensions:
        names.setdefault(budget_entry(next(iter(item.value.budget()), "")), []).append(item.name)
    lines = []
    for (source, remedy), sizes in names.items():
        of = "all sizes" if len(names) == 1 else ", ".join(sizes)
        lines += [f"<p>To improve {escape(of)} (mostly {escape(source)}): {escape(remedy)}</p>"] if remedy else []
    return "".join(lines)


def feature_section(features: Sequence[Feature], unit_out: str) -> str:
    """Every feature with its sizes; the pieces of a path follow it."""
    if not features:
        return ""
    rows = []
    for feature in features:
        rows.append(_feature_row(feature, unit_out, "feature"))
        rows += [_feature_row(piece, unit_out, "part") for piece in feature.segments]
    head = "<tr><th>feature</th><th>sizes</th><th>form and points</th><th>where the ± comes from</th></tr>"
    table = f'<table class="stack"><thead>{head}</thead><tbody>{"".join(rows)}</tbody></table>'
    return f'<section class="long"><h2>Features</h2>{table}</section>'


def _feature_row(feature: Feature, unit_out: str, kind: str) -> str:
    keys = feature_sizes(feature)
    sizes = "<br>".join(
        f"{escape(VALUE_WORDS.get(key, key))} {escape(size_text(feature, key, unit_out))}" for key in keys
    )
    main = MAIN.get(feature.kind, keys[-1] if keys else "")
    bar = budget_bar(feature.value(main).budget()) if main in feature.order and kind == "feature" else ""
    form = _form(feature, unit_out)
    form += [f"{feature.points} points, {in_unit(f'rms {feature.rms:.3f} mm', unit_out)}"] if feature.points else []
    form += [f"in {feature.on}"] if feature.on else []
    words = f"<small>{escape(VALUE_WORDS.get(main, main))}</small>" if bar else ""
    name = f"{escape(feature.name)}<small>{escape(feature.kind)}</small>"
    cells = (name, sizes, escape(", ".join(form)), words + bar)
    figures = ("", ' class="figure"', "", "")
    return f'<tr class="{kind}">' + "".join(f"<td{c}>{t}</td>" for c, t in zip(figures, cells, strict=True)) + "</tr>"


def _form(feature: Feature, unit_out: str) -> list[str]:
    """Form values; that of least squares stands in brackets behind the smaller one of the least zone."""
    said = []
    for key, figure in feature.form.items():
        least = feature.form.get(f"{key}_least_squares")
        word = key.removesuffix("_least_squares")
        if word != key and word in feature.form:
            continue
        more = f" (least squares {format_length(least, None, unit_out)})" if least is not None else ""
        said.append(f"{word.replace('_', ' ')} {format_length(figure, None, unit_out)}{more}")
    return said
