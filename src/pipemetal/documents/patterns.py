"""Full-size patterns of blanks: one neutral drawing in millimetres, true arcs, layers by meaning.

A drawing holds blanks side by side, mouth end at the bottom, of a sector its large arc, each with its name and thickness. Within
each lies its finished outline (layer `finished`), so that every allowance is seen, and what is marked on it (layer `mark`): mouth
and lips, sounding length, opening at the back, hood. Check lines of 100 mm and 4 in say whether a plot came out at full size. It
goes out as DXF, as SVG, or as tiles of paper (`tiles`).
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Arc, Drawing, Polygon, fitted_text
from pipemetal.documents.dxf import dxf_text
from pipemetal.files.outbox import write_all
from pipemetal.pipes.flat import FlatLine, finished_line, flat_lines
from pipemetal.pipes.pipe import Part, Pipe, RingSector
from pipemetal.pipes.rank import Rank
from pipemetal.units import UnitSystem
from pipemetal.words import Words

__all__ = ["Marks", "marks_of", "pattern_drawing", "pattern_groups", "write_patterns"]

Marks = Mapping[str, Sequence[FlatLine]]

GAP_MM: Final = 15.0
LABEL_SHARE: Final = 0.84
"""How much of a blank's length its label may take."""
LEAST_LETTERS_MM: Final = 1.2
CHECKS_MM: Final = (("100 mm", 100.0), ("4 in", 101.6))


def pattern_groups(parts: Sequence[Part]) -> dict[tuple[str, str], list[Part]]:
    """Parts by rank and kind."""
    groups: dict[tuple[str, str], list[Part]] = defaultdict(list)
    for part in parts:
        pipe = part.id.removesuffix(f" {part.kind}")
        groups[pipe.rpartition(" ")[0], part.kind].append(part)
    return groups


def file_stem(rank: str, kind: str) -> str:
    """The name of a pattern file, without its ending.

    >>> file_stem("Twelfth 2 2/3", "cap rim")
    'twelfth-2-2-3-cap-rim'
    """
    return re.sub(r"[^A-Za-z0-9]+", "-", f"{rank} {kind}").strip("-").lower()


def marks_of(pipes: Sequence[Pipe], ranks: Sequence[Rank]) -> dict[str, tuple[FlatLine, ...]]:
    """What is marked on every part of some pipes, by the part's id."""
    by_name = {rank.name: rank for rank in ranks}
    return {part.id: flat_lines(pipe, part, by_name[pipe.rank]) for pipe in pipes for part in pipe.parts}


def write_patterns(
    parts: Sequence[Part],
    folder: Path,
    marks: Marks | None = None,
    units: UnitSystem | None = None,
    say: Words | None = None,
) -> list[Path]:
    """Write all parts as DXF, one file for each rank and kind; returns the files."""
    groups = pattern_groups(parts).items()
    drawn = {
        f"{file_stem(rank, kind)}.dxf": dxf_text(pattern_drawing(members, marks=marks, units=units, say=say))
        for (rank, kind), members in groups
    }
    return write_all(folder, drawn)


def pattern_drawing(
    parts: Sequence[Part],
    title: str = "",
    marks: Marks | None = None,
    units: UnitSystem | None = None,
    say: Words | None = None,
) -> Drawing:
    """The parts side by side at full size; layers `cut`, `finished`, `mark`, `label` and `check`. `marks` as of `marks_of`. Sizes
    in the labels are in these units, words in this language.

    >>> part = Part("Flute 4 c body", "body", "plain-30", 300.0, 150.0, 0.8, 0.7, 0.08, (0,), None, 1.0, 1.0, 1.0, 1.0)
    >>> drawing = pattern_drawing([part])
    >>> drawing.width_mm, drawing.height_mm, [s.layer for s in drawing.shapes][:2]
    (180.0, 358.0, ['cut', 'label'])
    """
    units, say, bottom = units or UnitSystem(), say or Words(), GAP_MM + 28.0
    width = max(sum(part.width_mm for part in parts) + GAP_MM * (len(parts) + 1), 4.0 * 25.4 + 2 * GAP_MM)
    drawing = Drawing(width, max(part.length_mm for part in parts) + bottom + GAP_MM, title or parts[0].id)
    x = GAP_MM
    for part in parts:
        centre = x + part.width_mm / 2.0
        if part.sector is None:
            drawing.rectangle("cut", x, bottom, part.width_mm, part.length_mm)
        else:
            _add_sector(drawing, part.sector, centre, bottom)
        lines = (marks or {}).get(part.id, ())
        _add_label(drawing, part, centre, bottom, _label(part, units, say), beside=any(m.kind == "hole" for m in lines))
        _add_finished(drawing, part, centre, bottom, lines, units, say)
        x += part.width_mm + GAP_MM
    for index, (words, length) in enumerate(CHECKS_MM):
        y = GAP_MM + 12.0 * (1 - index)
        drawing.line("check", [(GAP_MM, y), (GAP_MM + length, y)])
        for end in (GAP_MM, GAP_MM + length):
            drawing.line("check", [(end, y - 1.5), (end, y + 1.5)])
        drawing.text("check", GAP_MM + 2.0, y + 1.5, words, 4.0)
    return drawing


def _label(part: Part, units: UnitSystem, say: Words) -> tuple[str, str]:
    """The name of a blank, and its walls with its allowances: along its edges, at its ends, and in its thickness."""
    ends = (units.bare_wall(part.wall_below_mm), units.bare_wall(part.wall_above_mm))
    words = f"{'/'.join(dict.fromkeys(ends))} {units.wall_unit}"
    if part.lower_at_small_arc and ends[0] != ends[1]:
        words += " " + say("(first at the small arc)")
    if part.edge_mm or part.end_mm:
        edge, end = units.bare_length(part.edge_mm, 1), units.show_length(part.end_mm, 1)
        words += "  " + say("edges {edge}, ends {end}", edge=edge, end=end)
    planed = part.planed_mm
    if planed > 0.005:
        words += ", " + say("to plane {planed}", planed=f"{units.bare_wall(planed)} {units.wall_unit}")
    return part.id, words


def _add_label(
    drawing: Drawing, part: Part, centre: float, bottom: float, label: tuple[str, str], *, beside: bool
) -> None:
    """Two lines up the blank, within its length; to the left of the middle where a hole is there."""
    room = LABEL_SHARE * part.length_mm
    across = min(max(part.width_mm / (28.0 if beside else 14.0), LEAST_LETTERS_MM), 8.0)
    at = centre - (0.3 * part.width_mm if beside else 0.0)
    for number, words in enumerate(label):
        text, height = fitted_text(words, room, across, LEAST_LETTERS_MM)
        x = at + (1.4 * number - 0.2) * across
        drawing.text("label", x, bottom + (1.0 - LABEL_SHARE) / 2.0 * part.length_mm, text, height, turn_deg=90.0)


def _add_finished(
    drawing: Drawing,
    part: Part,
    centre: float,
    bottom: float,
    lines: Sequence[FlatLine],
    units: UnitSystem,
    say: Words,
) -> None:
    """The finished outline of a blank, true arcs for a sector, and what is marked on it with its name."""
    low = bottom + part.end_mm
    if part.development is not None:
        _add_sector(drawing, part.development, centre, low, "finished")
    elif part.edge_mm or part.end_mm:
        points = tuple((centre + x, low + y) for x, y in finished_line(part).points)
        drawing.add(Polygon("finished", points, stroke=QUIET, width_mm=0.15))
    for line in lines:
        if line.kind == "finished":
            continue
        points = tuple((centre + x, low + y) for x, y in line.points)
        drawing.line("mark", (*points, points[0]) if line.closed else points, width_mm=0.15)
        x, y = points[0]
        words = f"{say(line.kind)} {units.show_length(line.width_mm, 1)}" if line.kind == "hole" else say(line.kind)
        drawing.text("mark", x + 1.0, y + 1.0, words, min(4.0, part.width_mm / 20.0))


def _add_sector(drawing: Drawing, ring: RingSector, centre: float, bottom: float, layer: str = "cut") -> None:
    """A ring sector whose large arc touches the bottom line at its middle, the cone's point above it."""
    apex = (centre, bottom + ring.outer_radius_mm)
    start, end = 270.0 - ring.angle_deg / 2.0, 270.0 + ring.angle_deg / 2.0
    stroke, width = (INK, 0.25) if layer == "cut" else (QUIET, 0.15)
    drawing.add(Arc(layer, apex, ring.outer_radius_mm, start, end, stroke, width))
    if ring.inner_radius_mm > 0.0:
        drawing.add(Arc(layer, apex, ring.inner_radius_mm, start, end, stroke, width))
    for angle in (math.radians(start), math.radians(end)):
        inner, outer = (
            (apex[0] + radius * math.cos(angle), apex[1] + radius * math.sin(angle))
            for radius in (ring.inner_radius_mm, ring.outer_radius_mm)
        )
        drawing.line(layer, [inner, outer], stroke=stroke, width_mm=width)
