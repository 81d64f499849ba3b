"""The touches of a job's point lists, group by group: how many, what they were fitted as, how well, which were left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from capture.jobs.plan import features_of_probe, probe_names
from capture.page.shown import deviation_text
from capture.page.wording import on_page

if TYPE_CHECKING:
    from capture.jobs.read import JobFile
    from capture.page.desk import Measured
    from fit.feature import Feature

__all__ = ["listed_groups", "touched_groups"]

_MOST_SHOWN = 400

Record = dict[str, Any]


def listed_groups(file: JobFile, index: int) -> dict[str, int]:
    """Names in a probe's lists, in order, and how many touches each has; a list without names goes by its file's.

    Raises InputError where a list cannot be read.
    """
    from fit.lists import read_list

    probe, counts = file.job.probe[index], Counter[str]()
    for name in probe.file:
        listed = read_list(file.folder / name, probe.unit or file.job.job.unit)
        counts.update(label or Path(name).stem for label in listed.names.tolist())
    return dict(counts)


def touched_groups(measured: Measured) -> Sequence[Record]:
    """One record per group of touches, in the order of the lists."""
    rows = []
    for index, name in enumerate(probe_names(measured.file.job)):
        fitted, ties = _fitted(measured, index), _ties(measured, name)
        rows += [
            _row(measured, name, group, count, fitted.get(group), ties.get(group))
            for group, count in measured.groups.get(name, {}).items()
        ]
    return rows


def _fitted(measured: Measured, index: int) -> dict[str, Feature]:
    """What a probe's groups were fitted as, by the group's name in the list."""
    job = measured.file.job
    files, name = job.probe[index].file, probe_names(job)[index]
    groups = measured.groups.get(name, {})
    wanted = {keys.name: keys.touches or keys.name for keys in features_of_probe(job, name)}
    found = {}
    for feature in measured.results.features:
        if feature.source in (*files, ", ".join(files)):
            group = wanted.get(feature.name, feature.name)
            only = next(iter(groups)) if len(groups) == 1 else group  # an edge walk, or the face beside it
            found[group if group in groups else only] = feature
    return found


def _ties(measured: Measured, probe: str) -> dict[str, float]:
    """How far apart the stations put each tie, mm; the worst where there are several."""
    stage = measured.stages.get(probe)
    told: Mapping[str, Any] = stage.details.get("probe", {}) if stage else {}
    worst: dict[str, float] = {}
    for station in told.get("stations", ()):
        for tie in station["ties"]:
            worst[tie["name"]] = max(worst.get(tie["name"], 0.0), float(tie["residual"]))
    return worst


def _row(measured: Measured, probe: str, group: str, count: int, feature: Feature | None, tie: float | None) -> Record:
    unit = measured.file.job.job.unit_out
    row: Record = {
        "probe": probe,
        "name": group,
        "points": count,
        "kind": "not fitted",
        "rms": "",
        "worst": "",
        "stray": "",
    }
    if tie is not None:
        row |= {"kind": "tie between stations", "worst": deviation_text(tie, unit)}
    if feature is None:
        return {**row, "residuals": [], "left_out": []}
    residuals, stray = feature.residuals, {int(i) for i in feature.rejected}
    kept = np.array([r for i, r in enumerate(residuals) if i not in stray])
    step = max(1, -(-len(residuals) // _MOST_SHOWN))
    shown = [i for i in range(len(residuals)) if i % step == 0 or i in stray]
    row |= {
        "feature": feature.name,
        "kind": feature.kind,
        "rms": deviation_text(feature.rms, unit),
        "worst": deviation_text(float(np.abs(kept).max()), unit) if len(kept) else "",
        "stray": _stray(measured, feature, unit),
        "residuals": [round(float(residuals[i]), 4) for i in shown],
        "left_out": [k for k, i in enumerate(shown) if i in stray],
    }
    return row


def _stray(measured: Measured, feature: Feature, unit: str) -> str:
    """Which touches were left out, by file and line where a warning says so."""
    if not len(feature.rejected):
        return ""
    notices = measured.results.warnings
    told = [n.text for n in notices if n.code == "stray-touch" and n.feature == feature.name]
    numbers = ", ".join(str(int(i) + 1) for i in feature.rejected)
    return " ".join(on_page(text, unit) for text in told) or f"Left out: touch {numbers} of the group."
