"""A plan that was written before (`plan.json`), read from its file. Documented in docs/plan-file.md."""

from __future__ import annotations

from pathlib import Path

from pipemetal.files.layout_file import MAX_BYTES
from pipemetal.files.toml_table import read_text
from pipemetal.plans.codec import read
from pipemetal.plans.record import Plan

__all__ = ["read_plan_file"]


def read_plan_file(path: Path) -> Plan:
    """The plan in a file, of today's format or an older one. Errors: FileFormatError with list, entry and field."""
    return read(read_text(path, most_bytes=MAX_BYTES), path.name, whole=True)
