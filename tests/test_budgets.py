"""Size budgets, counted from the source: files, functions, nesting and arguments stay small enough to read."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import numpy as np
import pytest

FILE_LINES = 350
FUNCTION_LINES, USUAL_LINES = 40, 25  # the longest allowed, and what nine functions in ten keep to
NESTING, USUAL_NESTING = 3, 2  # three blocks deep is for the odd kernel; 95 in a hundred keep to two
ARGUMENTS, USUAL_ARGUMENTS = 7, 5  # positional; a command may take more: its options are its interface
PACKAGES = ("capture", "fit")

Function = ast.FunctionDef | ast.AsyncFunctionDef
BLOCKS = (ast.If, ast.For, ast.While, ast.With, ast.Try, ast.Match, ast.AsyncFor, ast.AsyncWith)


def sources(root: Path, folders: tuple[str, ...] = PACKAGES) -> list[Path]:
    return sorted(path for folder in folders for path in (root / folder).rglob("*.py"))


@cache
def functions(path: Path) -> list[Function]:
    return [node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, Function)]


def code_lines(function: Function) -> int:
    """Lines that hold code of the body: no docstring, comment, blank line or signature."""
    body = function.body[1:] if ast.get_docstring(function) is not None else function.body
    held = {line for top in body for node in ast.walk(top) for line in spanned(node)}
    return len(held)


def spanned(node: ast.AST) -> range:
    start = getattr(node, "lineno", None)
    end = getattr(node, "end_lineno", None)
    return range(start, end + 1) if start is not None and end is not None and not isinstance(node, BLOCKS) else range(0)


def depth(node: ast.AST, is_branch: bool = False) -> int:
    """How many blocks lie inside one another below this node; `elif` counts as its `if`."""
    deepest = 0
    for field, value in ast.iter_fields(node):
        for child in value if isinstance(value, list) else [value]:
            if not isinstance(child, ast.AST) or isinstance(child, Function | ast.ClassDef | ast.Lambda):
                continue
            chained = isinstance(node, ast.If) and field == "orelse" and len(value) == 1 and isinstance(child, ast.If)
            deepest = max(deepest, depth(child) + (isinstance(child, BLOCKS) and not chained))
    return deepest


def arguments(function: Function) -> int:
    given = function.args
    names = [a.arg for a in (*given.posonlyargs, *given.args)]
    return len([name for name in names if name not in {"self", "cls"}])


def is_command(function: Function) -> bool:
    return any("command" in ast.unparse(decorator) for decorator in function.decorator_list)


def offenders(root: Path, measure, limit: int, skip=lambda function: False) -> list[str]:
    """`file:line name figure` of every function beyond the limit."""
    return [
        f"{path.relative_to(root)}:{function.lineno} {function.name} {figure}"
        for path in sources(root)
        for function in functions(path)
        if not skip(function) and (figure := measure(function)) > limit
    ]


def percentile(root: Path, measure, share: float) -> float:
    return float(np.percentile([measure(function) for path in sources(root) for function in functions(path)], share))


def none_of(found: list[str]) -> None:
    assert not found, "over budget:\n" + "\n".join(found)


def test_files_are_short(root):
    lines = {p.relative_to(root): len(p.read_text().splitlines()) for p in sources(root, (*PACKAGES, "tests"))}
    none_of([f"{path} {count}" for path, count in lines.items() if count > FILE_LINES])


def test_functions_are_short(root):
    none_of(offenders(root, code_lines, FUNCTION_LINES))
    assert percentile(root, code_lines, 90) <= USUAL_LINES


def test_nesting_is_shallow(root):
    none_of(offenders(root, depth, NESTING))
    assert percentile(root, depth, 95) <= USUAL_NESTING


def test_arguments_are_few(root):
    none_of(offenders(root, arguments, ARGUMENTS, skip=is_command))
    assert percentile(root, arguments, 95) <= USUAL_ARGUMENTS


def test_modules_say_what_they_are(root):
    none_of([str(p.relative_to(root)) for p in sources(root) if not ast.get_docstring(ast.parse(p.read_text()))])


@pytest.mark.parametrize(
    ("source", "measure", "figure"),
    [
        ("def f(a, b, *, c=1): return a", arguments, 2),
        ("def f():\n  '''Doc.'''\n\n  # why\n  x = (1,\n    2)\n  return x", code_lines, 3),
        ("def f(a):\n  for i in a:\n    if i:\n      with i:\n        pass", depth, 3),
        ("def f(a):\n  if a:\n    pass\n  elif b:\n    pass\n  else:\n    a()\n    if c:\n      pass", depth, 2),
    ],
)
def test_the_counts_themselves(source, measure, figure):
    assert measure(ast.parse(source).body[0]) == figure
