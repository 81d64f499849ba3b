"""Checks of a job's datum, dimensions and calculator tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from capture.jobs.faults import nearest
from capture.jobs.plan import base_name, probe_names

if TYPE_CHECKING:
    from capture.jobs.keys import DimensionKeys
    from capture.jobs.read import JobFile

__all__ = ["check_datum", "check_dimensions", "check_tables"]

TWO = ("distance", "angle", "offset")
MANY = {"pitch_circle": 3, "over_all": 1}


def check_datum(file: JobFile, known: Sequence[str] | None) -> None:
    """One of three ways to name a datum, with features that exist."""
    datum = file.job.datum
    if datum is None:
        return
    given = datum.model_fields_set
    ways = (("primary", "secondary", "tertiary"), ("holes",), ("edge", "corner"))
    used = [way for way in ways if given & set(way)]
    if len(used) != 1:
        text = "give secondary and tertiary (with primary), or holes, or edge and corner."
        raise file.fault(("datum",), text)
    needs = {"primary": ("secondary",), "holes": ("holes",), "edge": ("edge", "corner")}[used[0][0]]
    for key in needs:
        if getattr(datum, key) is None:
            raise file.fault(("datum",), f"the key '{key}' is missing; add it.")
    if datum.holes is not None and len(datum.holes) != 2:
        raise file.fault(("datum", "holes"), f"holes must name two holes; got {len(datum.holes)}.")
    named = [
        (key, name) for key in ("primary", "secondary", "tertiary", "edge", "corner") if (name := getattr(datum, key))
    ]
    named += [("holes", name) for name in datum.holes or ()]
    if len({name for _, name in named}) < len(named):
        raise file.fault(("datum",), "the datum features must all be different.")
    for key, name in named:
        _refuse_unknown(file, ("datum", key), name, known)


def check_dimensions(file: JobFile, known: Sequence[str] | None) -> None:
    """Features named as the kind needs them; limits that can be met."""
    for i, item in enumerate(file.job.dimension):
        _check_of(file, i, item, known)
        _check_limits(file, i, item)


def _check_of(file: JobFile, i: int, item: DimensionKeys, known: Sequence[str] | None) -> None:
    where = ("dimension", i)
    if item.kind in TWO:
        count = sum(name is not None for name in (item.first, item.to)) + len(item.of or ())
        if count != 2 or (item.of and item.first):
            raise file.fault(
                where, f"a {item.kind} needs from = and to =; got {count or 'no'} feature{'s'[: count != 1]}."
            )
    elif item.first or item.to or not item.of:
        key = next((k for k, v in (("from", item.first), ("to", item.to)) if v), "")
        raise file.fault((*where, key) if key else where, f"a {item.kind} is 'of' a feature; write of = and its name.")
    elif item.kind not in MANY and len(item.of) != 1:
        raise file.fault((*where, "of"), f"a {item.kind} is of one feature; got {len(item.of)}.")
    if len(item.of or ()) < MANY.get(item.kind, 0) and not any("*" in name for name in item.of or ()):
        raise file.fault(
            (*where, "of"), f"a {item.kind} needs at least {MANY[item.kind]} features; got {len(item.of or ())}."
        )
    if (item.kind == "over_all") != (item.direction is not None):
        text = (
            "direction is missing; write 'x', 'y' or degrees"
            if item.kind == "over_all"
            else "direction goes with over_all"
        )
        raise file.fault((*where, "direction") if item.direction is not None else where, f"{text}.")
    for key, names in (("from", (item.first,)), ("to", (item.to,)), ("of", item.of or ())):
        for name in names:
            if name is not None and "*" not in name:
                _refuse_unknown(file, (*where, key), name, known)


def _check_limits(file: JobFile, i: int, item: DimensionKeys) -> None:
    where = ("dimension", i)
    if item.limits is not None and (item.tolerance is not None or item.general_tolerance is not None):
        raise file.fault((*where, "limits"), "give limits or a tolerance, not both.")
    if item.limits is not None and item.limits[0] > item.limits[1]:
        low, high = item.limits
        raise file.fault((*where, "limits"), f"the lower limit comes first; got {low:g} and {high:g}.")
    for key in ("tolerance", "general_tolerance"):
        if getattr(item, key) is not None and item.nominal is None:
            raise file.fault((*where, key), f"{key} is about a nominal size; add nominal, or give limits.")
    if item.tolerance is not None and item.general_tolerance is not None:
        raise file.fault((*where, "general_tolerance"), "give tolerance or general_tolerance, not both.")
    if item.check is not None and item.kind == "angle":
        raise file.fault((*where, "check"), "check is a length read with a caliper; an angle has none.")


def _refuse_unknown(file: JobFile, where: tuple[str | int, ...], name: str, known: Sequence[str] | None) -> None:
    if known is None or name in known or base_name(name)[0] in known:
        return
    raise file.fault(where, f"there is no feature '{name}'; {nearest(name, known)}.")


def check_tables(file: JobFile) -> None:
    """Keys of the calculators' tables."""
    from capture.jobs.tables import known_keys

    for head in ("bend", "rod", "seal", "clear"):
        table = getattr(file.job, head)
        for key in table or {}:
            known = known_keys(head)
            if key not in known:
                raise file.fault((head, key), f"the key '{key}' is not known; {nearest(key, known)}.")
    if file.job.rod and (name := file.job.rod.get("probe")) is not None and name not in probe_names(file.job):
        raise file.fault(("rod", "probe"), f"there is no probe '{name}'; {nearest(str(name), probe_names(file.job))}.")
