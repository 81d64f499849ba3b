"""Results in the words and numbers that the page shows: nothing is worked out here, only told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.jobs.plan import photo_names, photos_of
from capture.page.wording import on_page, page_words
from fit.feature import Feature
from fit.points import Points
from fit.report.sizes import enough
from fit.report.words import ADVICE, MAIN, QUIET, VALUE_WORDS, budget_entry, feature_sizes, size_text
from fit.results import Dimension, Notice
from fit.units import MM_PER_INCH, Length, format_angle, format_length, in_unit

if TYPE_CHECKING:
    from capture.edges.candidates import Lead
    from capture.jobs.keys import FeatureKeys
    from capture.page.desk import Measured
    from capture.page.held import HeldPhoto

__all__ = [
    "deviation_text",
    "drawn_feature",
    "drawn_photo",
    "listed_feature",
    "other_edge",
    "told_notice",
    "told_results",
    "told_text",
    "typed_length",
    "way_points",
]

_MOST_DOTS = 500

Record = dict[str, Any]


def told_results(measured: Measured) -> Record:
    """Every feature, size and warning of a job."""
    unit = measured.file.job.job.unit_out
    results = measured.results
    return {
        "unit": unit,
        "frame": results.frame,
        "features": [listed_feature(feature, unit) for feature in results.features],
        "dimensions": _dimensions(measured, unit),
        "warnings": [told_notice(notice, unit) for notice in results.warnings],
        "faults": [{"source": name, "text": text} for name, text in measured.faults.items()],
    }


def listed_feature(feature: Feature, unit: str) -> Record:
    """One feature with its sizes; pieces of a path with theirs."""
    keys = feature_sizes(feature)
    main = MAIN.get(feature.kind, keys[-1] if keys else "")
    # 'roundness_least_squares' comes first and gives way to the roundness of the least zone, where there is one
    order = sorted(feature.form, key=len, reverse=True)
    form = {_form_word(key): deviation_text(feature.form[key], unit) for key in order}
    return {
        "name": feature.name,
        "kind": feature.kind,
        "main": _size(feature, main, unit) if main in feature.order else "",
        "main_word": VALUE_WORDS.get(main, main),
        "sizes": [{"word": VALUE_WORDS.get(key, key), "text": _size(feature, key, unit)} for key in keys],
        "form": ", ".join(f"{word} {text}" for word, text in form.items()),
        "points": feature.points,
        "left_out": len(feature.rejected),
        "rms": deviation_text(feature.rms, unit) if feature.points else "",
        "source": feature.source,
        "budget": _budget(feature.value(main).budget()) if main in feature.order else [],
        "pieces": [
            {"name": f"{feature.name}.{i}", "kind": piece.kind, "text": _piece(piece, unit)}
            for i, piece in enumerate(feature.segments, 1)
        ],
    }


def _form_word(key: str) -> str:
    return key.removesuffix("_least_squares").replace("_", " ")


def deviation_text(mm: float, unit: str) -> str:
    """A small distance such as an rms; in decimals of an inch also for those who read fractions."""
    return format_length(mm, None, "mm" if unit == "mm" else "inch", with_unit=True)


def _size(feature: Feature, key: str, unit: str) -> str:
    return size_text(feature, key, unit)


def _piece(piece: Feature, unit: str) -> str:
    key = "radius" if piece.kind == "arc" else "length"
    return f"{key} {_size(piece, key, unit)}"


def _budget(budget: Mapping[str, float]) -> list[Record]:
    """Shares of U95² by source, the largest first."""
    total = sum(part * part for part in budget.values())
    if total <= 0:
        return []
    shares = sorted(((part * part / total, word) for word, part in budget.items()), reverse=True)
    return [
        {"word": budget_entry(word)[0], "share": share, "remedy": page_words(budget_entry(word)[1])}
        for share, word in shares
        if share > 0.005
    ]


def _dimensions(measured: Measured, unit: str) -> list[Record]:
    """Sizes with the number of their entry in the job, None for those that nobody asked for."""
    asked = measured.file.job.dimension
    rows = []
    for item in measured.results.dimensions:
        index = next((i for i, keys in enumerate(asked) if _is_entry(keys, item)), None)
        wanted = [_length(item, limit, None, unit) for limit in (item.lower, item.upper) if limit is not None]
        keys = asked[index] if index is not None else None
        rows.append(
            {
                "index": index,
                "name": item.name,
                "kind": item.kind,
                "of": list(item.of),
                "text": _length(item, item.value.value, item.value.u95, unit),
                "wanted": " to ".join(wanted),
                "nominal": keys and typed_length(keys.nominal, "mm" if item.is_angle else unit),
                "tolerance": keys and typed_length(keys.tolerance, "mm" if item.is_angle else unit),
                "angle": item.is_angle,
                "verdict": item.verdict or "",
                "enough": enough(item),
                "budget": _budget(item.value.budget()),
            }
        )
    return rows


def typed_length(value: float | Length | None, unit: str) -> float | str | None:
    """A length of the job as people type it in their unit; decimals of an inch also where they read fractions."""
    if isinstance(value, Length):
        if value.limit is None:
            return typed_length(value.value, unit)
        return f"{typed_length(value.value, unit):g}±{typed_length(value.limit, unit):g}"
    return value if value is None or unit == "mm" else round(value / MM_PER_INCH, 5)


def _is_entry(keys: Any, item: Dimension) -> bool:
    """Whether a dimension came from an entry of the job."""
    if keys.name:
        return bool(keys.name == item.name)
    named = tuple(name for name in (keys.first, keys.to, *(keys.of or ())) if name)
    return bool(keys.kind == item.kind and named == tuple(item.of))


def _length(item: Dimension, value: float, u95: float | None, unit: str) -> str:
    return format_angle(value, u95) if item.is_angle else format_length(value, u95, unit)


def told_notice(notice: Notice, unit: str) -> Record:
    """A warning with what to do about it; quiet ones need nothing done where they say what was expected."""
    advice = ADVICE.get(notice.code)
    more = {"why": advice.cause, "see": advice.see, "do": advice.do} if advice else {}
    more = {key: on_page(text, unit) for key, text in more.items()}
    quiet = notice.code in QUIET
    return {"code": notice.code, "text": told_text(notice, unit), "feature": notice.feature, "quiet": quiet, **more}


def told_text(notice: Notice, unit: str) -> str:
    """What a warning says; pieces of a path by their number, as they stand in the list and on the photo."""
    start, number = f"{notice.feature} ", notice.text.removeprefix(f"{notice.feature} ").partition(" ")[0]
    piece = bool(notice.feature) and notice.text.startswith(start) and number.isdigit()
    return on_page(f"piece {notice.text[len(start) :]}" if piece else notice.text, unit)


def drawn_photo(measured: Measured, index: int, held: HeldPhoto, view: str) -> list[Record]:
    """Where a photo's features show in a view: points found, way-points, a place for the name."""
    name = photo_names(measured.file.job)[index]
    stage = measured.stages.get(name)
    keys = {
        feature.name: feature for feature in measured.file.job.feature if name in photos_of(measured.file.job, feature)
    }
    drawn = {}
    points = stage.points if stage and stage.points is not None else Points(np.zeros((0, 3)))
    for feature in stage.features if stage else ():
        item = drawn[feature.name] = drawn_feature(feature, points.labelled(feature.name), held, view)
        if lead := measured.leads.get(name, {}).get(feature.name):
            item["other"] = other_edge(lead, held, view, measured.file.job.job.unit_out)
    for feature_name, marks in keys.items():
        item = drawn.setdefault(feature_name, {"name": feature_name, "kind": marks.kind, "dots": [], "pieces": []})
        item["near"] = way_points(marks, name, held, view)
        item.setdefault("label", item["near"][0] if item["near"] else None)
    return list(drawn.values())


def drawn_feature(feature: Feature, points: Points, held: HeldPhoto, view: str) -> Record:
    """One feature's points, and where to write its name, in pixels of a view."""
    xyz = points.xyz[:: max(1, -(-len(points) // _MOST_DOTS))]
    dots = held.to_view(xyz, view) if len(xyz) else np.zeros((0, 2))
    pieces = [
        {"name": f"{feature.name}.{i}", "at": _places(held.to_view(_middle(piece)[None], view))[0]}
        for i, piece in enumerate(feature.segments, 1)
    ]
    return {
        "name": feature.name,
        "kind": feature.kind,
        "dots": _places(dots),
        "label": _places(held.to_view(_anchor(feature)[None], view))[0],
        "pieces": pieces,
        "near": [],
    }


def other_edge(lead: Lead, held: HeldPhoto, view: str, unit: str) -> Record | None:
    """The close edge that was not taken: its run in pixels of a view, how far off, and the job's word that takes it."""
    if lead.other is None:
        return None
    xy, side = lead.other.contour.xy, "open" if lead.apart > 0 else "metal"
    xy = xy[:: max(1, -(-len(xy) // _MOST_DOTS))]
    xyz = np.column_stack([xy, np.full(len(xy), lead.pick.known.sheet.height)])
    return {
        "line": _places(held.to_view(xyz, view)),
        "edge": side,
        "text": in_unit(f"{abs(lead.apart):.1f} mm away on the {side} side", unit),
        "ring": bool(lead.other.circles) or lead.pick.closed or lead.pick.kind == "slot",
    }


def way_points(keys: FeatureKeys, photo: str, held: HeldPhoto, view: str) -> list[list[float]]:
    """Way-points of a mark in pixels of a view."""
    near = (keys.near or {}).get(photo) or (keys.near or {}).get("") or ()
    if not near:
        return []
    height = keys.height.value if keys.height is not None else held.level
    xyz = np.column_stack([np.array(near, float), np.full(len(near), height)])
    return _places(held.to_view(xyz, view))


def _places(px: np.ndarray) -> list[list[float]]:
    return np.round(px, 1).tolist()


def _anchor(feature: Feature) -> np.ndarray:
    """Where a feature's name is written, (3,) mm."""
    if feature.kind == "path":
        return _middle(max(feature.segments, key=lambda piece: piece["length"] if piece.kind == "line" else 0.0))
    return _middle(feature)


def _middle(feature: Feature) -> np.ndarray:
    if feature.kind == "line":
        return (feature.vector(("x1", "y1", "z1")) + feature.vector(("x2", "y2", "z2"))) / 2
    centre = feature.vector(("x", "y", "z"))
    if feature.kind != "arc":
        return centre
    angle = feature["start"] + feature["span"] / 2
    return centre + feature["radius"] * np.array([np.cos(angle), np.sin(angle), 0.0])
