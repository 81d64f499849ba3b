"""What the user demanded of a seal, by its own limits, and whether it is met, missed or not proven."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from fit.seal.squeeze import RANGES

if TYPE_CHECKING:
    from fit.seal.seal import SealPlan

__all__ = ["demand_words", "demands_met"]


def demands_met(plan: SealPlan) -> bool:
    """Whether every limit of the profile's own is proven to be met; True where none is given.

    Usual ranges and ratios of common practice are advice, not demands. A compression without a ± proves nothing
    (ISO 14253-1).
    """
    return all(verdict == "inside" for verdict in [*_squeezed(plan), *_bent(plan).values()])


def demand_words(plan: SealPlan) -> str:
    """One line that tells how the demanded limits fare; '' where none is given."""
    told = []
    if verdicts := _squeezed(plan):
        wanted = plan.profile.wanted
        told.append(f"compression {100 * wanted.least:g} to {100 * wanted.most:g} % {_count(verdicts)}")
    told += [f"bend with the bulb {way} {_words(verdict)}" for way, verdict in _bent(plan).items()]
    return "; ".join(told)


def _squeezed(plan: SealPlan) -> list[str]:
    """Verdict at each place of a range that was asked for; one ``not proven`` where there is nothing to judge."""
    if plan.profile.wanted in RANGES.values():
        return []
    if not plan.squeezes:
        return ["not proven"]
    return ["not proven" if s.u95 is None and s.verdict == "inside" else s.verdict for s in plan.squeezes]


def _bent(plan: SealPlan) -> dict[str, str]:
    """Verdict of the tightest corner each way whose limit was given."""
    return {corner.direction: corner.verdict or "not proven" for corner in plan.corners if corner.limit_known}


def _count(verdicts: Sequence[str]) -> str:
    if len(verdicts) == 1:
        return _words(verdicts[0])
    counts = [(verdicts.count("outside"), "missed"), (verdicts.count("not proven"), "not proven")]
    wrong = [f"{word} at {count} of {len(verdicts)} places" for count, word in counts if count]
    return ", ".join(wrong) or _words("inside")


def _words(verdict: str) -> str:
    return {"inside": "met", "outside": "missed"}.get(verdict, verdict)
