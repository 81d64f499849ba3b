"""Every warning and every share of an uncertainty that the source can produce is explained in plain words."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

from fit.report.words import ADVICE, BUDGET, budget_entry

TREE = Path(__file__).parents[3]
SHARED_NAME = re.compile(r"([a-z]+)(?: X)?:[A-Za-z]+(?: [A-Za-z]+)* ?")
"""``caliper:X``, ``tie X:X``, ``tip:side of``: a placeholder of an f-string reads X."""


def parsed() -> Iterator[ast.Module]:
    for part in ("capture", "fit"):
        for path in sorted((TREE / part).rglob("*.py")):
            yield ast.parse(path.read_text(encoding="utf-8"))


def text_of(node: ast.AST) -> str:
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        return "".join(str(part.value) if isinstance(part, ast.Constant) else "X" for part in node.values)
    return ""


def raised_codes() -> set[str]:
    """Codes that notices are built with: written in the call, or looked up in a table or tuple of the same function."""
    codes: set[str] = set()
    for module in parsed():
        for function in (node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)):
            calls = [n for n in ast.walk(function) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == "Notice"]
            firsts = [call.args[0] for call in calls if call.args]
            codes |= {text_of(first) for first in firsts if text_of(first)}
            if any(isinstance(first, (ast.Name, ast.Subscript)) for first in firsts):
                words = (text_of(node) for node in ast.walk(function))
                codes |= {word for word in words if re.fullmatch(r"[a-z]+(-[a-z]+)+", word)}
    return codes


def test_every_warning_has_advice() -> None:
    codes = raised_codes()
    assert {"short-arc", "seal-tight", "die-clash"} <= codes, "the search itself misses codes"
    assert sorted(codes - set(ADVICE)) == []
    assert sorted(set(ADVICE) - codes) == [], "advice on a warning that nothing raises"


def test_every_source_of_error_has_words() -> None:
    texts = {text_of(node) for module in parsed() for node in ast.walk(module)}
    words = {match[1] for text in texts if (match := SHARED_NAME.fullmatch(text))} - {"localhost"}
    assert {"caliper", "height", "tie", "datum", "lens"} <= words, "the search itself misses names"
    assert sorted(words - set(BUDGET)) == []


def test_numbered_sources_keep_their_number() -> None:
    assert budget_entry("tie 2") == ("tie between stations (2)", BUDGET["tie"][1])
    assert budget_entry("something new") == ("something new", "")


def test_advice_is_whole() -> None:
    for code, advice in ADVICE.items():
        assert all(text.endswith(".") and text[0].isupper() for text in (advice.cause, advice.see)), code
        assert advice.do.endswith("."), code
