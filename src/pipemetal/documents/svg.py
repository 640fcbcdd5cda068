"""A neutral drawing as SVG: true millimetres, no scripts, no outside fonts."""

from __future__ import annotations

from html import escape

from pipemetal.documents.drawing import Arc, Drawing, Line, Polygon, Shape, Text

__all__ = ["to_svg"]

FONT = "'DejaVu Sans', 'Liberation Sans', Verdana, Arial, sans-serif"


def _n(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def to_svg(drawing: Drawing) -> str:
    """The drawing as a standalone SVG document.

    >>> drawing = Drawing(10.0, 10.0, "a <title>")
    >>> "&lt;title&gt;" in to_svg(drawing)
    True
    """
    w, h = _n(drawing.width_mm), _n(drawing.height_mm)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}"'
        f' font-family="{escape(FONT, quote=True)}" role="img">',
        f"<title>{escape(drawing.title)}</title>",
    ]
    layer = None
    for shape in drawing.shapes:
        if shape.layer != layer:
            if layer is not None:
                lines.append("</g>")
            lines.append(f'<g data-layer="{escape(shape.layer, quote=True)}">')
            layer = shape.layer
        lines.append(_element(shape, drawing.height_mm))
    if layer is not None:
        lines.append("</g>")
    lines.append("</svg>")
    return "\n".join(lines) + "\n"


def _points(points: tuple[tuple[float, float], ...], height: float) -> str:
    return " ".join(f"{_n(x)},{_n(height - y)}" for x, y in points)


def _element(shape: Shape, height: float) -> str:
    match shape:
        case Line(points=points, stroke=stroke, width_mm=width, dashes=dashes):
            dash = f' stroke-dasharray="{" ".join(_n(d) for d in dashes)}"' if dashes else ""
            return (
                f'<polyline points="{_points(points, height)}" fill="none" stroke="{stroke}" '
                f'stroke-width="{_n(width)}"{dash}/>'
            )
        case Arc(radius_mm=radius, start_deg=start, end_deg=end, stroke=stroke, width_mm=width):
            (x0, y0), (x1, y1) = shape.end_points()
            large = int((end - start) % 360.0 > 180.0)
            path = f"M{_n(x0)} {_n(height - y0)}A{_n(radius)} {_n(radius)} 0 {large} 0 {_n(x1)} {_n(height - y1)}"
            return f'<path d="{path}" fill="none" stroke="{stroke}" stroke-width="{_n(width)}"/>'
        case Polygon(points=points, fill=fill, stroke=stroke, width_mm=width, title=title, dashes=dashes):
            dash = f' stroke-dasharray="{" ".join(_n(d) for d in dashes)}"' if dashes else ""
            style = f'fill="{fill}" stroke="{stroke}" stroke-width="{_n(width)}"{dash}'
            corners = _points(points, height)
            if title:
                return f'<polygon points="{corners}" {style}><title>{escape(title)}</title></polygon>'
            return f'<polygon points="{corners}" {style}/>'
        case Text(at=(x, y), text=text, size_mm=size, anchor=anchor, turn_deg=turn, fill=fill, bold=bold):
            place = f'x="{_n(x)}" y="{_n(height - y)}"'
            turned = f' transform="rotate({_n(-turn)} {_n(x)} {_n(height - y)})"' if turn else ""
            weight = ' font-weight="bold"' if bold else ""
            style = f'font-size="{_n(size)}" text-anchor="{anchor}" fill="{fill}"{weight}{turned}'
            return f"<text {place} {style}>{escape(text)}</text>"
