"""Arm point lists to features in one frame: the whole way, from files to a result that can be written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from capture.arm.closing import told_of_moves, until_moved
from capture.arm.datum import Datum, datum_from_features, datum_from_nominal, feature_in, points_in
from capture.arm.kinds import parse_rule, parse_side
from capture.arm.sizes import parse_dimension, sizes_of
from capture.arm.stations import Joined
from capture.arm.ties import matches
from capture.arm.tip import Tip
from capture.arm.tipcheck import check_tip, tip_from_ball
from capture.arm.touched import Touched
from capture.arm.touches import Touches, gather
from capture.arm.touchfit import FitOptions, Fitted, fit_touches
from capture.arm.touchnotices import told_of_ties
from capture.arm.unitcheck import check_unit
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.lists import PointList, read_list
from fit.points import Points, join_points
from fit.results import Notice, Results, Source

if TYPE_CHECKING:
    from fit.report.parts import ReportPart

__all__ = ["Measured", "ProbeOptions", "measure"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ProbeOptions:
    """What the command line may say; tip in mm, points 'centre' or 'surface', texts as typed."""

    unit: str | None = None
    tip: float | None = None
    tip_u: float = 0.003
    points: str | None = None
    fits: tuple[str, ...] = ()
    ties: tuple[str, ...] = ()
    datum: str | None = None
    dims: tuple[str, ...] = ()
    closing: tuple[str, ...] = ()
    tip_ball: str | None = None
    sides: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """Results with the cloud of surface points and the report's parts."""

    results: Results
    points: Points
    parts: Sequence[ReportPart]


def measure(files: Sequence[str | Path], options: ProbeOptions) -> Measured:
    """Read, join, correct and fit point lists.

    Raises
    ------
    InputError, CannotDetermine : what is wrong, where and what to do.
    """
    rules = tuple(parse_rule(text) for text in options.fits)
    dims = [parse_dimension(text) for text in options.dims]
    sides = tuple(parse_side(text) for text in options.sides)
    _check_points(options)
    lists, notices = _lists(files, options)
    touches, joined = _with_moves(lambda: gather(lists, options.ties), notices)
    notices += told_of_ties(joined)
    tip, told = _tip(touches, options)
    places = frozenset(_places(touches, joined, options))
    fitted = _with_moves(lambda: fit_touches(touches, FitOptions(rules, tip, sides, places)), notices)
    features = {name: touched.feature for name, touched in fitted.touched.items()}
    absent = set(touches.names) - features.keys() - places
    features, dimensions, left_out = sizes_of(dims, features, absent)
    notices += [
        *told,
        *fitted.notices,
        *left_out,
        *(check_unit(touches, fitted.touched, tip) or check_tip(list(features.values()), _nominal_tip(tip, options))),
        *_short_arcs(fitted.touched),
    ]
    datum = _datum(options, features, fitted.notices)
    cloud = _cloud(touches, fitted)
    shown = list(features.values())
    if datum is not None:
        shown, cloud = [feature_in(datum, feature) for feature in shown], points_in(datum, cloud)
    results = Results(
        frame=cloud.frame,
        sources=[Source.of(path) for path in files],
        features=shown,
        dimensions=dimensions,
        warnings=_ranked(notices),
        details={"probe": _details(fitted, joined, tip, touches)},
    )
    return Measured(results, cloud, _parts(touches, fitted, joined))


def _check_points(options: ProbeOptions) -> None:
    if options.points == "centre" and options.tip is None and options.tip_ball is None:
        message = "--points centre needs the tip's diameter: add --tip MM, or --tip-ball NAME=DIAMETER."
        raise InputError(message)
    if options.tip is not None and options.points is None:
        message = "--tip is given, but not what the list holds: add --points centre or --points surface."
        raise InputError(message)


def _lists(files: Sequence[str | Path], options: ProbeOptions) -> tuple[list[PointList], list[Notice]]:
    paths = [str(path) for path in files]
    if len(set(paths)) < len(paths):
        message = "The same file is given twice; each station is a list of its own."
        raise InputError(message)
    lists: list[PointList] = []
    notices: list[Notice] = []
    for path in paths:
        listed = read_list(path, options.unit).named_by_stem()
        notices += listed.notices
        if options.closing and any(matches(name, options.closing) for name in set(listed.names.tolist())):
            listed, said = until_moved(listed, options.closing)
            notices += said
        elif not options.closing:
            notices += told_of_moves(listed)
        lists.append(listed)
    if options.closing and not any(matches(n, options.closing) for one in lists for n in set(one.names.tolist())):
        message = f"--closing {' '.join(options.closing)}: no feature has such a name; leave it out or mend the names."
        raise InputError(message)
    lists, alike = _spelled_alike(lists)
    return lists, notices + alike


def _with_moves(work: Callable[[], T], notices: Sequence[Notice]) -> T:
    """What the work gives; what is missing since the base moved is told as such."""
    try:
        return work()
    except (CannotDetermine, InputError) as error:
        moved = [notice.text for notice in notices if notice.code == "base-moved"]
        if not moved:
            raise
        raise type(error)(" ".join([str(error), *moved])) from error


def _spelled_alike(lists: Sequence[PointList]) -> tuple[list[PointList], list[Notice]]:
    """Names that differ in letter case or blanks alone are one feature, spelled as it was first."""
    first: dict[str, str] = {}
    others: dict[str, str] = {}
    renamed = []
    for listed in lists:
        names, place = np.unique(listed.names, return_inverse=True)
        for name in dict.fromkeys(listed.names.tolist()):
            spelled = first.setdefault(" ".join(name.casefold().split()), name)
            others |= {name: spelled} if name != spelled else {}
        renamed.append(replace(listed, names=np.array([others.get(name, name) for name in names.tolist()])[place]))
    if not others:
        return list(lists), []
    told = ", ".join(f"{name} is {spelled}" for name, spelled in list(others.items())[:12])
    text = f"Names that differ in letter case or blanks alone are one feature: {told}."
    return renamed, [Notice("names-alike", text)]


def _tip(touches: Touches, options: ProbeOptions) -> tuple[Tip | None, list[Notice]]:
    if options.points != "centre":
        if options.points is None:
            text = "The lists are taken as surface points, without tip correction; say --points centre if they are not."
            return None, [Notice("points-assumed", text)]
        return None, []
    typed = Tip(options.tip, options.tip_u) if options.tip is not None else None
    if options.tip_ball:
        return tip_from_ball(touches, options.tip_ball, typed)
    return typed, []


def _nominal_tip(tip: Tip | None, options: ProbeOptions) -> Tip | None:
    """Tip for the self-check: with surface points too, where its size was typed."""
    return tip if tip or options.tip is None else Tip(options.tip, options.tip_u)


def _places(touches: Touches, joined: Joined | None, options: ProbeOptions) -> list[str]:
    """Closing and tie features that are single places."""
    found = {name for ties in joined.ties for name, tie in ties.items() if not tie.ball} if joined else set()
    for name in touches.names:
        size = float(np.ptp(touches.points.xyz[touches.rows(name)], axis=0).max())
        if matches(name, options.closing) and size < 1.0:
            found.add(name)
    return sorted(found)


def _short_arcs(touched: Mapping[str, Touched]) -> list[Notice]:
    from fit.shapes import short_arc

    told = (short_arc(one.feature, one.points.xyz[one.used]) for one in touched.values())
    return [notice for notice in told if notice]


def _datum(options: ProbeOptions, features: Mapping[str, Feature], notices: Sequence[Notice]) -> Datum | None:
    """3-2-1 from names, or best fit where the text is a file of nominal points."""
    asked = options.datum
    if asked is None:
        return None
    if Path(asked).is_file():
        nominal = read_list(asked, options.unit)
        rows = [k for k, name in enumerate(nominal.names.tolist()) if name in features]
        if len(rows) < 3:
            message = f"--datum {asked}: needs three or more rows named as fitted features; found {len(rows)}."
            raise InputError(message)
        return datum_from_nominal([features[nominal.names[k]] for k in rows], nominal.xyz[rows], Path(asked).name)
    names = [name.strip() for name in asked.split(",")]
    missing = [name for name in names if name not in features]
    if missing:
        why = next((notice.text for notice in notices if notice.feature == missing[0]), None)
        if why is not None:
            message = f"--datum {asked}: '{missing[0]}' was not measured. {why}"
            raise CannotDetermine(message)
        message = f"--datum {asked}: '{missing[0]}' is neither a fitted feature ({', '.join(features)}) nor a file."
        raise InputError(message)
    return datum_from_features([features[name] for name in names])


def _cloud(touches: Touches, fitted: Fitted) -> Points:
    """Surface points used by the fits, and the points of what was not fitted as they were recorded."""
    parts = [touched.points.select(touched.used) for touched in fitted.touched.values()]
    loose = ~np.isin(touches.points.label, list(fitted.touched))
    if loose.any():
        parts.append(touches.points.select(loose))
    return join_points(parts)


def _ranked(notices: Sequence[Notice]) -> list[Notice]:
    """What needs a hand first; what only informs last."""
    grave = ("unit-doubt", "base-moved", "tip-side", "touch-scatter")
    calm = ("kind-chosen", "base-steady", "tip-qualified", "names-alike")
    return sorted(dict.fromkeys(notices), key=lambda notice: (notice.code in calm) - (notice.code in grave))


def _details(fitted: Fitted, joined: Joined | None, tip: Tip | None, touches: Touches) -> dict[str, Any]:
    record: dict[str, Any] = {}
    if tip:
        record["tip"] = {"diameter": tip.diameter, "u": tip.u}
    if fitted.spread:
        record["touch_spread"] = fitted.spread.sigma
    record["kinds"] = {
        name: {"kind": choice.kind, "why": choice.why, "runner_up": choice.runner_up}
        for name, choice in fitted.choices.items()
    }
    if joined:
        record["stations"] = _stations(joined, touches)
    return record


def _stations(joined: Joined, touches: Touches) -> list[dict[str, Any]]:
    return [
        {
            "path": touches.paths[s],
            "rotation": joined.bundle.rotations[s].tolist(),
            "translation": joined.bundle.translations[s].tolist(),
            "ties": [
                {"name": check.name, "residual": check.residual, "left_out": check.left_out}
                for check in joined.checks
                if check.station == s + 1
            ],
        }
        for s in range(len(touches.paths))
    ]


def _parts(touches: Touches, fitted: Fitted, joined: Joined | None) -> list[ReportPart]:
    from capture.arm.probereport import report_parts

    return report_parts(touches, fitted, joined)
