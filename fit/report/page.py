"""report.html: one page that stands alone, needs no network and prints well."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from html import escape
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

from fit.drawing.frame import tool_version
from fit.report.alike import told_once
from fit.report.parts import ReportPart, part_html, part_in_unit, picture_html
from fit.report.plots import points_picture, residual_plot
from fit.report.sizes import dimension_section, feature_section
from fit.report.words import ADVICE, CAUTIONS, QUIET
from fit.units import in_unit

if TYPE_CHECKING:
    from fit.drawing.model import Drawing
    from fit.points import Points
    from fit.results import Notice, Results

__all__ = ["report_html"]

_MOST_PLOTS = 60


def report_html(
    results: Results,
    drawing: Drawing,
    sketch_svg: str,
    *,
    points: Points | None = None,
    pictures: Mapping[str, bytes] | None = None,
    parts: Sequence[ReportPart] = (),
) -> str:
    """The page as text; every word that came from a file or a user is escaped."""
    unit_out, title = drawing.unit_out, drawing.title
    name = title.name or "Measurement"
    parts = [part_in_unit(part, unit_out) for part in parts]
    before = [part for part in parts if part.where == "before"]
    body = [
        f"<h1>{escape(name)}</h1>",
        f"<p>{escape(_heading(title))}</p>",
        f"<p>Every ± is a 95 % uncertainty. Axes: {escape(_axes(results.frame, unit_out))}.</p>",
        _warnings([notice for notice in results.warnings if notice.code not in QUIET], unit_out),
        *(part_html(part) for part in before),
        "" if any(part.picture for part in before) else _overlay(pictures or {}, unit_out),
        dimension_section(results.dimensions, unit_out),
        _sketch(sketch_svg),
        feature_section(results.features, unit_out),
        *(part_html(part) for part in parts if part.where != "before"),
        _cutter(drawing),
        _points(results, points, pictures or {}),
        "" if any(part.title.startswith("Residuals") for part in parts) else _residuals(results, unit_out),
        _record([notice for notice in results.warnings if notice.code in QUIET], unit_out),
        _cautions(results, drawing),
        _origin(results),
    ]
    return _head(name) + "\n".join(piece for piece in body if piece) + "</body></html>\n"


def _head(name: str) -> str:
    style = (files("fit.report") / "page.css").read_text(encoding="utf-8")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(name)}</title><style>{style}</style></head><body>"
    )


def _heading(title: Any) -> str:
    words = {"side": title.side, "face": title.face, "front": title.front, "material": title.material}
    said = [f"{key}: {value}" for key, value in words.items() if value]
    said += [value for value in (title.date, title.creator and f"measured by {title.creator}") if value]
    return " · ".join(said)


def _warnings(notices: Sequence[Notice], unit_out: str) -> str:
    """All warnings, those alike told once, and those of one code together so that their advice stands there once."""
    if not notices:
        return ""
    alike: dict[str, list[Notice]] = {}
    for notice in told_once(notices):
        alike.setdefault(notice.code, []).append(notice)
    rows = "".join(_warning(code, group, unit_out) for code, group in alike.items())
    return f'<section class="long"><h2>Read this first</h2>{rows}</section>'


def _warning(code: str, notices: Sequence[Notice], unit_out: str) -> str:
    row = '<div class="warning">'
    for notice in notices:
        where = f" ({escape(notice.feature)})" if notice.feature else ""
        row += f"<b>{escape(in_unit(notice.text, unit_out))}</b><small>{escape(code)}{where}</small>"
    advice = ADVICE.get(code)
    if advice:
        said = (("Why", advice.cause), ("How to see it", advice.see), ("What to do", advice.do))
        row += "".join(f"<p>{word}: {escape(in_unit(text, unit_out))}</p>" for word, text in said)
    return row + "</div>"


def _record(notices: Sequence[Notice], unit_out: str) -> str:
    """What was done and noticed, and needs no action unless it surprises."""
    rows = "".join(
        f"<p>{escape(in_unit(notice.text, unit_out))}<small>{escape(notice.code)}</small>"
        f"<small>{escape(in_unit(_whole(notice), unit_out))}</small></p>"
        for notice in told_once(notices)
    )
    return f'<section class="long"><h2>For the record</h2>{rows}</section>' if rows else ""


def _whole(notice: Notice) -> str:
    advice = ADVICE[notice.code]
    return f"{advice.cause} {advice.see} {advice.do}"


def _axes(frame: str, unit_out: str) -> str:
    """The frame in words; its unit only where people read that unit."""
    return frame if unit_out == "mm" else frame.replace("; mm", "")


def _overlay(pictures: Mapping[str, bytes], unit_out: str) -> str:
    picture = pictures.get("overlay.png")
    if not picture:
        return ""
    unit = "" if unit_out == "mm" else "<p>Figures on the picture are mm.</p>"
    words = "The photo with what was measured drawn on it"
    return f"<section><h2>Photo</h2>{picture_html(picture, words)}{unit}</section>"


def _sketch(svg: str) -> str:
    drawn = svg[svg.find("<svg") :]
    return f'<section><h2>Sketch</h2><figure class="sheet">{drawn}</figure></section>' if "<svg" in svg else ""


def _cutter(drawing: Drawing) -> str:
    from fit.drawing.cutter import cutter_notes

    notes = cutter_notes(drawing.entities, drawing.unit_out)
    if not notes:
        return ""
    said = "".join(f"<p>{escape(in_unit(note, drawing.unit_out))}</p>" for note in notes)
    return f"<section><h2>For the cutter</h2>{said}</section>"


def _points(results: Results, points: Points | None, pictures: Mapping[str, bytes]) -> str:
    if points is None or "overlay.png" in pictures:
        return ""
    drawn = points_picture(points, results.features)
    return f"<section><h2>Points</h2>{drawn}</section>" if drawn else ""


def _residuals(results: Results, unit_out: str) -> str:
    plots = [plot for feature in results.features[:_MOST_PLOTS] if (plot := residual_plot(feature, unit_out))]
    words = "Each dot is one point's distance from its fitted shape, in the order of the points; crosses were left out."
    hint = "A wave or a run to one side means that the shape is not quite what was fitted."
    return f'<section class="long"><h2>Residuals</h2><p>{words} {hint}</p>{"".join(plots)}</section>' if plots else ""


def _cautions(results: Results, drawing: Drawing) -> str:
    keys = ["always", *(key for key in ("bend", "rod") if key in results.tables)]
    if any(entity.layer == "cut" for entity in drawing.entities):
        keys.insert(1, "cut")
    return "".join(f'<p class="caution">{escape(CAUTIONS[key])}</p>' for key in keys)


def _origin(results: Results) -> str:
    rows = "".join(
        f'<tr><td>{escape(s.path)}</td><td class="hash">{escape(s.sha256)}</td></tr>' for s in results.sources
    )
    table = f"<table><thead><tr><th>file</th><th>SHA-256</th></tr></thead><tbody>{rows}</tbody></table>" if rows else ""
    made = f"{tool_version()}, Python {platform.python_version()}, NumPy {np.__version__}"
    return f"<section><h2>Where this comes from</h2>{table}<p>Made with {escape(made)}.</p></section>"
