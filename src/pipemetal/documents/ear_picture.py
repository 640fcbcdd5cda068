"""The picture of a rank that was heard: cents off over the keys, with intervals and the rank's smooth curve."""

from __future__ import annotations

from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import INK, QUIET
from pipemetal.documents.drawing import Drawing
from pipemetal.pipes.notes import note_name
from pipemetal.sound.rank import HeardRank

__all__ = ["ear_picture"]

_BOX = (22.0, 24.0, 240.0, 80.0)
_PIPE, _CURVE, _OUT = "#2f6690", "#9db8cc", "#a4552c"


def ear_picture(heard: HeardRank, title: str, *, naming: str = "trade") -> Drawing:
    """Cents off over the keys; pipes that stand out carry their note, those with odd partials too.

    >>> from pipemetal.sound.measure import Measured
    >>> from pipemetal.sound.rank import HeardPipe
    >>> m = Measured(440.0, 0.1, 0.2, 2.0, 0.5, 0.2, (), -40.0)
    >>> pipes = tuple(HeardPipe(key, 0.0, m, 0.1 * key) for key in (0, 12, 24))
    >>> len(ear_picture(HeardRank(pipes, (), ()), "Octave 4").shapes) > 10
    True
    """
    drawing = Drawing(270.0, 122.0)
    drawing.text("title", 4.0, 114.0, title, 5.0, bold=True, fill=INK)
    pipes = heard.pipes
    low = min(p.cents - p.heard.half_width_cents for p in pipes)
    high = max(p.cents + p.heard.half_width_cents for p in pipes)
    first, last = pipes[0].key, pipes[-1].key
    marks = tuple((float(k), note_name(k, naming)) for k in range(first, last + 1) if k % 12 == 0)
    across = Axis(first - 0.5, last + 0.5, "key", marks)
    frame = Frame(drawing, _BOX, across, Axis.round(min(low, 0.0), max(high, 0.0), "cents off", 8))
    frame.line([(first - 0.5, 0.0), (last + 0.5, 0.0)], QUIET, width_mm=0.3)
    frame.line([(float(p.key), p.curve_cents) for p in pipes], _CURVE, width_mm=0.7)
    for p in pipes:
        colour = _OUT if p.stands_out or p.odd_partials else _PIPE
        half = p.heard.half_width_cents
        frame.line([(float(p.key), p.cents - half), (float(p.key), p.cents + half)], colour, width_mm=0.4)
        frame.dot(float(p.key), p.cents, colour)
        if p.stands_out or p.odd_partials:
            x, y = frame.point(float(p.key), p.cents)
            drawing.text("name", x + 1.6, y + 1.2, note_name(p.key, naming), 3.2, fill=_OUT)
    words = "Line: the rank's smooth curve. Bars: 95 % intervals. Named: pitch or partials unlike the neighbours'."
    drawing.text("note", 4.0, 5.0, words, 3.2, fill=QUIET)
    return drawing
