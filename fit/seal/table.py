"""results["seal"]: the plan as plain values in mm, degrees and percent."""

from __future__ import annotations

import math
from typing import Any

from fit.results import value_to_dict
from fit.seal.corners import Corner
from fit.seal.demands import demand_words, demands_met
from fit.seal.profile import SET_SHARE
from fit.seal.seal import SealPlan
from fit.seal.squeeze import Squeeze, fitting_heights

__all__ = ["seal_table"]


def seal_table(plan: SealPlan) -> dict[str, Any]:
    """The whole table; angles in degrees, compressions in percent."""
    line = plan.line
    edge = line.edge
    table: dict[str, Any] = {
        "path": edge.feature.name,
        "closed": edge.closed,
        "offset": line.offset,
        "side": line.side,
        "edge_length": value_to_dict(edge.feature.value("length")),
        "chord_length": plan.chords,
        "length": value_to_dict(line.length),
        "length_change_per_mm": line.per_mm,
        "turn": value_to_dict(edge.turn, angle=True),
        "allowance": plan.allowance,
        "allowance_rule": plan.rule.source,
        "cut_length": value_to_dict(plan.cut),
        "budget": line.length.budget(),
        "corners": [_corner(corner) for corner in plan.corners],
        "formulas": [
            "length = L + offset * turn away from the side; L + 2*pi*offset outside a closed path (Steiner, "
            "parallel curves)",
            "compression = (free - gap) / free (definition)",
            "strain in a corner = offset / R (geometry of a bent bar)",
        ],
    }
    if (joint := plan.joint) is not None:
        table["joint"] = {"at": joint.at, "segment": joint.segment, "straight": joint.straight}
    if plan.tolerance is not None:
        table["cut_tolerance"] = {"limit": plan.tolerance.limit, "source": plan.tolerance.source}
    if words := demand_words(plan):
        table["demanded"] = {"met": demands_met(plan), "words": words}
    return table | _gap_table(plan)


def _corner(corner: Corner) -> dict[str, Any]:
    record: dict[str, Any] = {
        "bulb": corner.direction,
        "segment": corner.segment,
        "at": corner.at,
        "edge_radius": value_to_dict(corner.edge_radius),
        "line_radius": corner.line_radius,
        "turn": math.degrees(abs(corner.turn)),
    }
    if corner.strain is not None:
        record["strain_percent"] = 100 * corner.strain
    if corner.limit is not None:
        if corner.limit_known:
            record |= {"limit": corner.limit, "limit_from": "profile's sheet", "verdict": corner.verdict}
        else:
            advice = {"least_radius": corner.limit, "from": "common practice, no source", "words": corner.advice}
            record |= {"limit_from": "not given: ask the profile's sheet", "advice": advice}
    return record


def _gap_table(plan: SealPlan) -> dict[str, Any]:
    if plan.gaps is None:
        return {}
    gaps = plan.gaps.gap.tolist()
    wanted = plan.profile.wanted
    low, high = fitting_heights(gaps, wanted)
    record: dict[str, Any] = {
        "gap_from": plan.gaps.source,
        "range_percent": {"least": 100 * wanted.least, "aim": 100 * wanted.aim, "most": 100 * wanted.most},
        "range_source": wanted.source,
        "free_height_for_all": {"least": low, "most": high, "exists": low <= high},
        "clay_rule": {
            "low": 1.25 * min(gaps),
            "high": 1.5 * max(gaps),
            "source": "boat hatch gasket guide: clay + 25-50 %",
        },
    }
    if plan.squeezes:
        record["free_height"] = plan.profile.free
        record["after_set_percent"] = 100 * (1 - SET_SHARE) * min(squeeze.share for squeeze in plan.squeezes)
        record["compression"] = [_squeeze(squeeze) for squeeze in plan.squeezes]
    else:
        triples = zip(plan.gaps.at.tolist(), gaps, plan.gaps.u.tolist(), strict=True)
        record["gaps"] = [
            {"at": at, "gap": _measured(gap, None if math.isnan(u) else 1.96 * u)} for at, gap, u in triples
        ]
    return record


def _measured(value: float, u95: float | None) -> dict[str, float]:
    return {"value": value} if u95 is None else {"value": value, "u95": u95}


def _squeeze(squeeze: Squeeze) -> dict[str, Any]:
    return {
        "at": squeeze.at,
        "gap": _measured(squeeze.gap, squeeze.gap_u95),
        "percent": _measured(100 * squeeze.share, None if squeeze.u95 is None else 100 * squeeze.u95),
        "verdict": squeeze.verdict,
    }
