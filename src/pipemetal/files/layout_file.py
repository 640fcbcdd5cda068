"""Layout problems and plans as JSON files. Documented in docs/layout-files.md."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipemetal.files.outbox import write
from pipemetal.files.toml_table import read_text
from pipemetal.layout.jsonform import plan_from_dict, plan_to_dict, problem_from_dict
from pipemetal.layout.plan import LayoutPlan
from pipemetal.layout.problem import LayoutProblem
from pipemetal.strict_json import parse_json

__all__ = ["read_json", "read_plan", "read_problem", "write_json", "write_plan"]

MAX_BYTES = 64_000_000
"""A plan of a thousand pipes has five; the worst that so many bytes can hold takes thirty times as much memory."""


def read_json(path: Path) -> Any:
    """The JSON value of a file; nan, infinity, numbers beyond 64 bits and doubled keys are refused.

    Errors: FileFormatError with the line where the text stops being JSON.
    """
    text = read_text(path, most_bytes=MAX_BYTES)
    return parse_json(text, path.name)


def write_json(path: Path, value: Any) -> None:
    """Write a JSON file. Errors: FileFormatError for a place that must not be written over."""
    write(path, json.dumps(value, allow_nan=False, ensure_ascii=False, indent=1) + "\n")


def read_problem(path: Path) -> LayoutProblem:
    """A layout problem. Errors: FileFormatError, LayoutError."""
    return problem_from_dict(read_json(path), where=path.name)


def read_plan(path: Path, problem: LayoutProblem) -> LayoutPlan:
    """A layout plan for a problem. Errors: FileFormatError, LayoutError."""
    return plan_from_dict(read_json(path), problem, where=path.name)


def write_plan(path: Path, plan: LayoutPlan) -> None:
    """Write a layout plan."""
    write_json(path, plan_to_dict(plan))
