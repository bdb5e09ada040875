"""Faults to what the page says of them: the message, its place, and the line of the plan it is in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mixrender.errors import Problem

LONGEST_LINE = 200
"""How many characters of a line of the plan are shown around the fault."""


def plan_faults(plan_file: Path, problems: Sequence[Problem]) -> list[dict[str, object]]:
    """The problems of a plan, in their order, each with the text of its line where it has one."""
    try:
        lines = plan_file.read_text(encoding="utf-8-sig", errors="replace").splitlines()
    except OSError:
        lines = []
    return [_document(problem, lines) for problem in problems]


def one_fault(message: str) -> dict[str, object]:
    """A fault that is at no place of the plan."""
    return {"message": message, "path": "", "line": None, "column": None, "text": ""}


def _document(problem: Problem, lines: Sequence[str]) -> dict[str, object]:
    text = ""
    if problem.line is not None and problem.line <= len(lines):
        start = max((problem.column or 1) - LONGEST_LINE // 2, 0)
        text = lines[problem.line - 1][start : start + LONGEST_LINE].strip()
    return {
        "message": problem.message,
        "path": problem.path,
        "line": problem.line,
        "column": problem.column,
        "text": text,
    }
