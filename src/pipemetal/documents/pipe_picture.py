"""One pipe to scale, with its sizes: body, mouth, languid, foot, cap, chimney, slide, or a reed's resonator."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing, Polygon, text_width_mm
from pipemetal.pipes.pipe import Pipe, footage_text

__all__ = ["pipe_picture", "round_scale"]

WIDTH_MM, HEIGHT_MM = 210.0, 297.0
ROOM_MM = 225.0
AXIS_MM = 62.0
BOTTOM_MM = 30.0
METAL, OPENING = "#dfe3e6", "#ffffff"


def pipe_picture(
    pipe: Pipe, *, steps: Sequence[tuple[float, float, float]] = (), tuning_c: float | None = None
) -> Drawing:
    """A pipe seen from the front on a sheet of A4, at a round scale, its sizes written beside it.

    `steps` are the pieces of a stepped body: share of the length, diameter below and above by that at the mouth;
    `tuning_c` is the temperature at which the lengths hold.
    """
    drawing = Drawing(WIDTH_MM, HEIGHT_MM, pipe.id)
    drawing.rectangle("paper", 0, 0, WIDTH_MM, HEIGHT_MM, fill="#ffffff", stroke="none")
    size = min(5.0, 5.0 * (WIDTH_MM - 24.0) / max(text_width_mm(pipe.id, 5.0), 1.0))
    drawing.text("title", 12.0, HEIGHT_MM - 13.0, pipe.id, size, bold=True)
    drawing.text(
        "title",
        12.0,
        HEIGHT_MM - 19.5,
        f"{pipe.alloy}, {pipe.construction.replace('_', '-')}, {footage_text(pipe.footage)}, {pipe.frequency_hz:.2f} Hz",
        3.4,
        fill=QUIET,
    )
    whole = _height_mm(pipe)
    divisor = round_scale(max(whole / ROOM_MM, _widest_mm(pipe) / 70.0))
    _Elevation(drawing, pipe, divisor, steps).draw()
    _words(drawing, pipe, divisor, tuning_c)
    return drawing


def round_scale(least: float) -> float:
    """A round scale, 1 : 1, 1 : 1.5, 1 : 2, 1 : 2.5 and so on, that makes the pipe fit."""
    for power in (0.1, 1.0, 10.0, 100.0):
        for step in (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.5):
            if power * step >= least:
                return power * step
    return least


def _widest_mm(pipe: Pipe) -> float:
    return max(pipe.diameter_mm, pipe.top_diameter_mm) + 2.0 * pipe.thickness_mouth_mm


def _height_mm(pipe: Pipe) -> float:
    above = max(pipe.slide_length_mm / 2.0, pipe.chimney_length_mm, 0.0)
    return pipe.foot_length_mm + pipe.cut_length_mm + above


class _Elevation:
    """Draws the pipe standing on its toe; `at` turns mm of the pipe into mm of paper."""

    def __init__(
        self, drawing: Drawing, pipe: Pipe, divisor: float, steps: Sequence[tuple[float, float, float]]
    ) -> None:
        self.drawing, self.pipe, self.divisor, self.steps = drawing, pipe, divisor, steps

    def at(self, across_mm: float, up_mm: float) -> tuple[float, float]:
        """Place on paper of a place on the pipe, from its axis and its toe."""
        return AXIS_MM + across_mm / self.divisor, BOTTOM_MM + up_mm / self.divisor

    def _frustum(self, low: float, high: float, below: float, above: float, fill: str = METAL) -> None:
        corners = (
            self.at(-below / 2, low),
            self.at(below / 2, low),
            self.at(above / 2, high),
            self.at(-above / 2, high),
        )
        self.drawing.add(Polygon("pipe", corners, fill, INK, 0.3))

    def draw(self) -> None:
        """Foot, body and what stands on it, then the sizes."""
        p = self.pipe
        foot = p.foot_length_mm
        if p.construction == "resonator":
            self._frustum(0.0, p.cut_length_mm, p.tip_diameter_mm, p.diameter_mm)
        else:
            self._frustum(0.0, foot, p.toe_bore_mm + 2.0 * p.thickness_foot_mm, p.diameter_mm)
            at = 0.0
            for share, below, above in self.steps or ((1.0, 1.0, p.top_diameter_mm / p.diameter_mm),):
                high = p.cut_length_mm if at + share > 1.0 - 1e-9 else (at + share) * p.body_length_mm
                self._frustum(foot + at * p.body_length_mm, foot + high, below * p.diameter_mm, above * p.diameter_mm)
                at += share
            self._mouth(foot)
            self._top(foot + p.cut_length_mm)
        self._sizes(foot)

    def _mouth(self, foot: float) -> None:
        """The mouth is drawn as wide as its width by the arc that it spans, seen from the front."""
        p = self.pipe
        half = p.diameter_mm / 2.0 * math.sin(min(p.mouth_width_mm / p.diameter_mm, math.pi / 2.0))
        lower, upper = self.at(-half, foot), self.at(half, foot + max(p.cut_up_mm, self.divisor * 0.6))
        points = [lower, (upper[0], lower[1])]
        if p.lip == "arched":
            drop = 0.35 * (upper[1] - lower[1])
            points += [
                (upper[0] - (upper[0] - lower[0]) * k / 12, upper[1] - drop * (2.0 * k / 12 - 1.0) ** 2)
                for k in range(13)
            ]
        else:
            points += [upper, (lower[0], upper[1])]
        self.drawing.add(Polygon("mouth", tuple(points), OPENING, INK, 0.3))

    def _top(self, top: float) -> None:
        p = self.pipe
        outer = p.top_diameter_mm + 2.0 * p.thickness_top_mm
        if p.construction in ("stopped", "chimney", "half_covered"):
            rim = min(max(0.5 * outer, 15.0), 0.5 * p.cut_length_mm)
            self._frustum(top - rim, top, outer * 1.03, outer * 1.03, "#cbd2d8")
        if p.chimney_length_mm > 0.0:
            self._frustum(top, top + p.chimney_length_mm, p.chimney_diameter_mm, p.chimney_diameter_mm)
        if p.slide_length_mm > 0.0:
            self._frustum(
                top - p.slide_length_mm / 2.0, top + p.slide_length_mm / 2.0, outer * 1.03, outer * 1.03, "#cbd2d8"
            )
        if p.visible_length_mm > 0.0:
            hidden = p.foot_length_mm + p.body_length_mm
            self._dash(hidden, "opening at the back")

    def _dash(self, up_mm: float, words: str) -> None:
        reach = _widest_mm(self.pipe) / 2.0
        left, right = self.at(-reach, up_mm), self.at(reach, up_mm)
        self.drawing.line("hidden", [left, right], stroke=INK, width_mm=0.4, dashes=(1.2, 0.9))
        self.drawing.text("hidden", right[0] + 13.0, right[1] - 1.1, words, 3.0, fill=QUIET)

    def _sizes(self, foot: float) -> None:
        p = self.pipe
        reach = _widest_mm(p) / 2.0 / self.divisor
        left = AXIS_MM - reach - 6.0
        if foot > 0.0:
            self._upright(left, 0.0, foot, f"foot {foot:.0f}")
        self._upright(left, foot, foot + p.cut_length_mm, f"cut {p.cut_length_mm:.0f}")
        if p.construction != "resonator" and p.made != "old":
            self._upright(
                AXIS_MM + reach + 6.0,
                foot,
                foot + p.body_length_mm,
                f"sounds by formula {p.body_length_mm:.0f}",
                right=True,
            )

    def _upright(self, x: float, low: float, high: float, words: str, *, right: bool = False) -> None:
        """A size line with its words turned along it, or beside it where it is too short for them."""
        y0, y1 = self.at(0.0, low)[1], self.at(0.0, high)[1]
        self.drawing.line("size", [(x, y0), (x, y1)], stroke=QUIET, width_mm=0.2)
        for y in (y0, y1):
            self.drawing.line("size", [(x - 1.2, y), (x + 1.2, y)], stroke=QUIET, width_mm=0.2)
        if y1 - y0 > text_width_mm(words, 3.2) + 2.0:
            place = x + 4.0 if right else x - 1.6
            self.drawing.text("size", place, (y0 + y1) / 2.0, words, 3.2, anchor="middle", turn_deg=90.0)
        else:
            anchor = "start" if right else "end"
            self.drawing.text("size", x + (2.5 if right else -2.5), (y0 + y1) / 2.0 - 1.1, words, 3.2, anchor=anchor)


def _rows(pipe: Pipe) -> list[tuple[str, str]]:
    """What is written beside the pipe: name and value of every size that it has."""
    reed = pipe.construction == "resonator"
    rows = [
        ("inner diameter, wide end" if reed else "inner diameter at the mouth", f"{pipe.diameter_mm:.1f} mm"),
        ("half tones, at sounding pitch", f"{pipe.half_tones:+.1f}"),
        ("inner diameter at the tip", f"{pipe.tip_diameter_mm:.1f} mm" if reed else ""),
        (
            "inner diameter at the top",
            f"{pipe.top_diameter_mm:.1f} mm" if pipe.top_diameter_mm != pipe.diameter_mm else "",
        ),
        ("mouth, width", f"{pipe.mouth_width_mm:.1f} mm" if not reed else ""),
        ("mouth, cut-up", f"{pipe.cut_up_mm:.1f} mm, {pipe.lip}" if not reed else ""),
        ("flue (start for the voicer)", f"{pipe.flue_mm:.2f} mm" if not reed else ""),
        ("toe bore (start for the voicer)", f"{pipe.toe_bore_mm:.1f} mm" if not reed else ""),
        (
            "chimney",
            f"{pipe.chimney_diameter_mm:.1f} x {pipe.chimney_length_mm:.1f} mm" if pipe.chimney_length_mm else "",
        ),
        ("hole in the cap", f"{pipe.hole_diameter_mm:.1f} mm" if pipe.hole_diameter_mm else ""),
        ("tuning slide", f"{pipe.slide_length_mm:.0f} mm" if pipe.slide_length_mm else ""),
        ("wall at the tip" if reed else "wall at the mouth", f"{pipe.thickness_mouth_mm:.2f} mm"),
        ("wall at the top", f"{pipe.thickness_top_mm:.2f} mm"),
        ("wall of the foot", f"{pipe.thickness_foot_mm:.2f} mm" if not reed else ""),
        ("languid", f"{pipe.languid_thickness_mm:.1f} mm" if not reed else ""),
        ("mass", f"{pipe.mass_kg:.3f} kg"),
    ]
    return [row for row in rows if row[1]]


def _words(drawing: Drawing, pipe: Pipe, divisor: float, tuning_c: float | None) -> None:
    left, y = 122.0, HEIGHT_MM - 36.0
    for name, value in _rows(pipe):
        drawing.text("sizes", left, y, name, 3.2, fill=QUIET)
        drawing.text("sizes", left, y - 4.6, value, 3.8)
        y -= 11.5
    notes = [f"walls: {pipe.wall_source}", *pipe.remarks]
    for line in (piece for note in notes for piece in _wrapped(note, 48)):
        drawing.text("notes", left, y, line, 2.9, fill=INK)
        y -= 4.2
    at = "the tuning temperature" if tuning_c is None else f"{tuning_c:g} °C"
    scale = f"1 : {divisor:g}" if divisor >= 1.0 else f"{1.0 / divisor:g} : 1"
    drawing.text(
        "notes",
        12.0,
        12.0,
        f"Scale {scale}. Sizes in mm; lengths at {at}; the mouth as seen from the front.",
        3.0,
        fill=QUIET,
    )


def _wrapped(text: str, most: int) -> list[str]:
    """Words in lines of at most so many letters.

    >>> _wrapped("one two three", 8)
    ['one two', 'three']
    """
    lines = [""]
    for word in text.split():
        joined = f"{lines[-1]} {word}".strip()
        if len(joined) <= most or not lines[-1]:
            lines[-1] = joined
        else:
            lines.append(word)
    return lines
