"""results.json as text, and back into features with their whole covariance for a later step."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from fit.errors import InputError
from fit.feature import ANGLES, Feature
from fit.results import FORMAT, VERSION, Dimension, Notice, Results, Source
from fit.uncertain import Value

__all__ = ["TABLES", "read_record", "read_results", "record_text", "results_from_dict"]

TABLES = ("bend", "rod", "seal", "clear")
"""Top-level keys under which the calculators put their tables."""
_LEAVES = frozenset({float, int, str, bool})
_KNOWN = {"format", "version", "unit", "frame", "sources", "shared", "features", "dimensions", "warnings", "files"}


def record_text(record: Mapping[str, Any]) -> str:
    """The JSON text of a record: 13 significant figures, short lists on one line, no NaN.

    Raises InputError where a number is not finite, naming its place.
    """
    return _text(record, "", "results") + "\n"


def _text(item: Any, indent: str, where: str) -> str:
    inner = indent + " "
    if isinstance(item, Mapping):
        if not item:
            return "{}"
        if len(item) <= 3 and all(_is_leaf(value) for value in item.values()):
            pairs = (f"{json.dumps(str(key))}: {_leaf(value, f'{where}.{key}')}" for key, value in item.items())
            return "{" + ", ".join(pairs) + "}"
        rows = (
            f"{inner}{json.dumps(str(k), ensure_ascii=False)}: {_text(v, inner, f'{where}.{k}')}"
            for k, v in item.items()
        )
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(item, (list, tuple, np.ndarray)):
        values = item.tolist() if isinstance(item, np.ndarray) else item
        if all(type(value) is float for value in values) and all(map(math.isfinite, values)):
            return f"[{', '.join(map(_digits, values))}]"  # most of a record is this
        if all(map(_is_leaf, values)):
            return "[" + ", ".join(_leaf(value, where) for value in values) + "]"
        return "[\n" + ",\n".join(inner + _text(value, inner, where) for value in values) + f"\n{indent}]"
    return _leaf(item, where)


def _is_leaf(item: Any) -> bool:
    return type(item) in _LEAVES or not isinstance(item, (Mapping, list, tuple, np.ndarray))


def _leaf(item: Any, where: str) -> str:
    if isinstance(item, np.generic):
        item = item.item()
    if isinstance(item, float):
        if not math.isfinite(item):
            message = f"{where} came out as {item}; nothing was written. Please report this with the input files."
            raise InputError(message)
        return _digits(item)
    return json.dumps(item, ensure_ascii=False)


def _digits(number: float) -> str:
    """As `repr` has it of the number with 13 figures, which of most is those figures."""
    told = f"{number:.13g}"
    return told if "." in told and "e+" not in told else repr(float(told))


def read_record(path: str | Path) -> dict[str, Any]:
    """Read a results.json (or a folder that holds one) as plain JSON values."""
    file = Path(path)
    file = file / "results.json" if file.is_dir() else file
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        message = f"{file}: cannot be read ({error.strerror}); give a results.json or the folder that holds it."
        raise InputError(message) from error
    except (ValueError, RecursionError) as error:
        message = f"{file}: is not JSON ({error}); give the results.json of an earlier result."
        raise InputError(message) from error
    if not isinstance(record, dict) or record.get("format") != FORMAT:
        message = f"{file}: is not an edgewright result; give the results.json of an earlier result."
        raise InputError(message)
    if record.get("version") != VERSION:
        told = f"has version {record.get('version')}; this tool reads version {VERSION}"
        message = f"{file}: {told}. Update it or measure again."
        raise InputError(message)
    return record


def read_results(path: str | Path) -> Results:
    """Read a results.json (or its folder) with all covariances, so that U95 can be carried on.

    Residuals are not in the file, so `Feature.residuals` is empty; a dimension's errors come back by budget word.
    Raises InputError where the file is missing, damaged or of another format.
    """
    record = read_record(path)
    try:
        return results_from_dict(record)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = f"{path}: is damaged ({type(error).__name__}: {error}); measure again or take an earlier copy."
        raise InputError(message) from error


def results_from_dict(record: Mapping[str, Any]) -> Results:
    """The `Results` of a results.json record; the inverse of `results_to_dict` but for residuals."""
    shared = tuple(record["shared"])
    return Results(
        frame=record["frame"],
        sources=[Source(item["path"], item["sha256"]) for item in record["sources"]],
        features=[_feature(item, shared) for item in record["features"]],
        dimensions=[_dimension(item) for item in record["dimensions"]],
        warnings=[Notice(item["code"], item["text"], item.get("feature", "")) for item in record["warnings"]],
        tables={key: record[key] for key in TABLES if key in record},
        details={key: value for key, value in record.items() if key not in _KNOWN and key not in TABLES},
    )


def _feature(item: Mapping[str, Any], shared: Sequence[str], source: str = "") -> Feature:
    order = tuple(item["covariance"]["order"])
    scale = np.array([math.pi / 180.0 if key in ANGLES else 1.0 for key in order])
    origin = item.get("source", source)
    return Feature(
        name=item.get("name", ""),
        kind=item["kind"],
        order=order,
        values=np.array([item["values"][key]["value"] for key in order]) * scale,
        cov_own=np.array(item["covariance"]["own"], float).reshape(len(order), -1) * np.outer(scale, scale),
        shared=np.array(item["covariance"]["shared"], float).reshape(len(shared), len(order)) * scale,
        shared_names=tuple(shared),
        dof=item["covariance"].get("dof", math.inf),
        points=item.get("points", 0),
        rms=item.get("rms", 0.0),
        form={key: entry["value"] for key, entry in item["values"].items() if key not in order},
        rejected=np.array(item.get("rejected", []), dtype=int),
        on=item.get("on"),
        segments=tuple(_feature(part, shared, origin) for part in item.get("segments", [])),
        closed=item.get("closed"),
        source=origin,
    )


def _dimension(item: Mapping[str, Any]) -> Dimension:
    scale = math.pi / 180.0 if item["kind"] == "angle" else 1.0
    parts = dict(item.get("budget", {})) or {"own": item["u95"]}
    factor = scale / 1.959963984540054
    own = parts.pop("own", 0.0) * factor
    value = Value(
        item["value"] * scale, own**2, np.array(list(parts.values())) * factor, tuple(f"{word}:" for word in parts)
    )
    known = {"name", "kind", "value", "u95", "budget", "of", "nominal", "lower", "upper", "verdict"}
    limits = {key: item[key] * scale for key in ("nominal", "lower", "upper") if key in item}
    return Dimension(
        item["name"],
        item["kind"],
        value,
        tuple(item.get("of", ())),
        verdict=item.get("verdict"),
        extra={key: entry for key, entry in item.items() if key not in known},
        **limits,
    )
