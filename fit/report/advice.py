"""The form of an advice: plain words on what lies behind a warning."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Advice"]


@dataclass(frozen=True, slots=True)
class Advice:
    """What lies behind a warning, how to see whether it is so, and what to do."""

    cause: str
    see: str
    do: str
