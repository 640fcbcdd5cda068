"""A neutral drawing as DXF: R2010, millimetres, the drawing's own layers, true arcs, opens clean under an audit."""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Final

from ezdxf import units
from ezdxf.document import Drawing as DxfDocument
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new

from pipemetal.documents.drawing import Arc, Drawing, Line, Polygon, Text

__all__ = ["dxf_text", "to_dxf"]

COLOURS: Final[Mapping[str, int]] = {"cut": 7, "finished": 8, "mark": 5, "label": 3, "check": 1}
ALIGNED: Final = {
    "start": TextEntityAlignment.LEFT,
    "middle": TextEntityAlignment.CENTER,
    "end": TextEntityAlignment.RIGHT,
}


def dxf_text(drawing: Drawing) -> str:
    """The drawing as the text of a DXF file."""
    out = io.StringIO()
    to_dxf(drawing).write(out)
    return out.getvalue()


def to_dxf(drawing: Drawing) -> DxfDocument:
    """The drawing as a DXF document; a shape's layer is its layer.

    >>> from pipemetal.documents.drawing import Drawing
    >>> drawing = Drawing(10.0, 10.0)
    >>> drawing.rectangle("cut", 0, 0, 10, 10)
    >>> [entity.dxftype() for entity in to_dxf(drawing).modelspace()]
    ['LWPOLYLINE']
    """
    document = new("R2010", units=units.MM)
    for layer in dict.fromkeys(shape.layer for shape in drawing.shapes):
        document.layers.add(layer, color=COLOURS.get(layer, 7))
    space = document.modelspace()
    for shape in drawing.shapes:
        attribs = {"layer": shape.layer}
        match shape:
            case Line(points=((x0, y0), (x1, y1))):
                space.add_line((x0, y0), (x1, y1), dxfattribs=attribs)
            case Line(points=points):
                space.add_lwpolyline(points, dxfattribs=attribs)
            case Polygon(points=points):
                space.add_lwpolyline(points, close=True, dxfattribs=attribs)
            case Arc(centre=centre, radius_mm=radius, start_deg=start, end_deg=end):
                space.add_arc(centre, radius, start, end, dxfattribs=attribs)
            case Text(at=at, text=text, size_mm=size, anchor=anchor, turn_deg=turn):
                written = space.add_text(text, height=size, rotation=turn, dxfattribs=attribs)
                written.set_placement(at, align=ALIGNED[anchor])
    return document
