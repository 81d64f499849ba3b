"""The JSON Schema of job files, made from the keys; the shipped file is checked against this by a test."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

from capture.jobs.tables import HEADS, known_keys

__all__ = ["schema_text"]

_ANY = {"type": ["string", "number", "boolean", "array"]}


def schema_text() -> str:
    """The schema as JSON text (draft 2020-12), keys sorted so that equal keys give an equal file."""
    from capture.jobs.keys import Job

    schema = Job.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "Edgewright job"
    for head in HEADS:
        entry = schema["properties"][head]
        table = {"type": "object", "additionalProperties": False, "properties": _properties(head)}
        schema["properties"][head] = {"description": entry["description"], **table}
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _properties(head: str) -> dict[str, Any]:
    kinds = _kinds(head)
    return {key: {"type": kinds[key]} if key in kinds else dict(_ANY) for key in known_keys(head)}


def _kinds(head: str) -> dict[str, str]:
    """Keys that are plain switches or numbers."""
    if head not in ("bend", "rod"):
        return {}
    from fit.bend.command import BendOptions
    from fit.rod.command import RodOptions

    words = {"bool": "boolean", "float": "number", "float | None": "number"}
    options = BendOptions if head == "bend" else RodOptions
    return {f.name: words[str(f.type)] for f in dataclasses.fields(options) if str(f.type) in words}
