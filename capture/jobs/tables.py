"""Keys that the calculators' tables of a job take."""

from __future__ import annotations

__all__ = ["known_keys", "table_files"]


def known_keys(head: str) -> list[str]:
    return []


def table_files(file):
    return []
