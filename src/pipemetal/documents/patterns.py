"""Full-size patterns as DXF: millimetres, true arcs, layers by meaning, opens clean under an audit.

One file holds the blanks of one part of one rank, side by side, each with its name and thickness; a check line of 100 mm
says whether a plot came out at full size.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Sequence
from pathlib import Path

from ezdxf import units
from ezdxf.document import Drawing as DxfDocument
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new
from ezdxf.layouts.layout import Modelspace

from pipemetal.pipes.pipe import Part

__all__ = ["pattern_document", "write_patterns"]

GAP_MM = 15.0
LAYERS = (("cut", 7), ("label", 3), ("check", 1))


def _file_name(rank: str, kind: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", f"{rank} {kind}").strip("-").lower() + ".dxf"


def write_patterns(parts: Sequence[Part], folder: Path) -> list[Path]:
    """Write all parts, one file for each rank and kind; returns the files."""
    groups: dict[tuple[str, str], list[Part]] = defaultdict(list)
    for part in parts:
        pipe = part.id.removesuffix(f" {part.kind}")
        groups[pipe.rpartition(" ")[0], part.kind].append(part)
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for (rank, kind), members in groups.items():
        path = folder / _file_name(rank, kind)
        pattern_document(members).saveas(path)
        written.append(path)
    return written


def pattern_document(parts: Sequence[Part]) -> DxfDocument:
    """A DXF document with the parts side by side, mouth end at the bottom."""
    document = new("R2010", units=units.MM)
    for name, colour in LAYERS:
        document.layers.add(name, color=colour)
    space = document.modelspace()
    x = 0.0
    for part in parts:
        centre = x + part.width_mm / 2.0
        if part.sector is None:
            corners = [(x, 0.0), (x + part.width_mm, 0.0), (x + part.width_mm, part.length_mm), (x, part.length_mm)]
            space.add_lwpolyline(corners, close=True, dxfattribs={"layer": "cut"})
        else:
            _add_sector(space, part, centre)
        height = min(max(part.width_mm / 14.0, 1.2), 8.0)
        text = f"{part.id}  {part.thickness_mouth_mm:.2f}/{part.thickness_top_mm:.2f} mm"
        label = space.add_text(text, height=height, rotation=90.0, dxfattribs={"layer": "label"})
        label.set_placement((centre + height / 2.0, 0.1 * part.length_mm), align=TextEntityAlignment.LEFT)
        x += part.width_mm + GAP_MM
    space.add_line((0.0, -GAP_MM), (100.0, -GAP_MM), dxfattribs={"layer": "check"})
    note = space.add_text("100 mm", height=4.0, dxfattribs={"layer": "check"})
    note.set_placement((0.0, -GAP_MM - 6.0))
    return document


def _add_sector(space: Modelspace, part: Part, centre: float) -> None:
    """A ring sector whose large arc touches the bottom line at its middle, the cone's point above it."""
    ring = part.sector
    assert ring is not None
    apex = (centre, ring.outer_radius_mm)
    start, end = 270.0 - ring.angle_deg / 2.0, 270.0 + ring.angle_deg / 2.0
    layer = {"layer": "cut"}
    space.add_arc(apex, ring.outer_radius_mm, start, end, dxfattribs=layer)
    if ring.inner_radius_mm > 0.0:
        space.add_arc(apex, ring.inner_radius_mm, start, end, dxfattribs=layer)
    for angle in (math.radians(start), math.radians(end)):
        inner, outer = (
            (apex[0] + radius * math.cos(angle), apex[1] + radius * math.sin(angle))
            for radius in (ring.inner_radius_mm, ring.outer_radius_mm)
        )
        space.add_line(inner, outer, dxfattribs=layer)
