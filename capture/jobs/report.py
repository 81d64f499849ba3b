"""What a job adds to the record and the report page: cameras, photos compared, photos with their marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from capture.camera.told import shot_part
from fit.report.parts import ReportPart
from fit.results import value_to_dict
from fit.units import format_length, in_unit, unit_words

if TYPE_CHECKING:
    from capture.jobs.compose import Composed
    from capture.jobs.stage import Stage

__all__ = ["details_of", "job_parts"]


def details_of(composed: Composed, photos: Mapping[str, Stage], probes: Mapping[str, Stage]) -> dict[str, Any]:
    """Further entries of results.json: ``camera`` (by photo where there are several), ``probe``, ``photos``."""
    cameras = {name: stage.details["camera"] for name, stage in photos.items() if "camera" in stage.details}
    details: dict[str, Any] = {}
    if cameras:
        details["camera"] = next(iter(cameras.values())) if len(cameras) == 1 else cameras
    for stage in (*photos.values(), *probes.values()):
        details |= {key: value for key, value in stage.details.items() if key != "camera" and key not in details}
    if composed.averages:
        details["photos"] = {name: _average_record(found) for name, found in composed.averages.items()}
    return details


def _average_record(found: Any) -> dict[str, Any]:
    sizes = {
        key: {
            "by_photo": {photo: value_to_dict(value) for photo, value in by_photo.items()},
            "spread": _spread([value.value for value in by_photo.values()]),
            "mean": value_to_dict(found.feature.value(key)),
        }
        for key, by_photo in found.sizes.items()
    }
    return {"sizes": sizes, "scatter_over_expected": found.chi, "left_out": list(found.left_out)}


def _spread(values: Sequence[float]) -> float:
    return max(values) - min(values)


def job_parts(composed: Composed, photos: Mapping[str, Stage], unit_out: str) -> list[ReportPart]:
    """Photos with their marks and enlarged picks, and sizes compared between photos."""
    parts = []
    for name, stage in photos.items():
        if len(photos) > 1:
            parts.append(ReportPart(f"Photo {name}", picture=stage.files["overlay.png"], where="before"))
        if "picks.png" in stage.files:
            words = "Each pick enlarged on its own face: crosses are the way-points, dots the edge that was taken."
            parts.append(ReportPart(f"Picks in {name}", words, picture=stage.files["picks.png"]))
    if told := shot_part({name: stage.details["camera"] for name, stage in photos.items()}):
        parts.append(told)
    if composed.averages:
        parts.append(_comparison(composed, unit_out))
    return parts


def _comparison(composed: Composed, unit_out: str) -> ReportPart:
    rows = []
    for name, found in composed.averages.items():
        for key, by_photo in found.sizes.items():
            told = ", ".join(f"{photo} {format_length(v.value, v.u95, unit_out)}" for photo, v in by_photo.items())
            mean = found.feature.value(key)
            spread = _spread([value.value for value in by_photo.values()])
            left = ", ".join(found.left_out) or "–"
            mean_text, spread_text = (
                format_length(mean.value, mean.u95, unit_out),
                in_unit(f"{spread:.3f} mm", unit_out),
            )
            rows.append((name, key, told, mean_text, spread_text, left))
    head = ("feature", "size", f"by photo, {unit_words(unit_out)}", "weighted mean", "spread", "left out")
    return ReportPart("The same feature in several photos", "Each photo is solved alone.", head, rows)
