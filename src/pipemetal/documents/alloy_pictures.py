"""Pictures of an alloy: its freezing curve, and the lead-tin diagram with the alloy marked."""

from __future__ import annotations

from functools import cache

import numpy as np

from pipemetal.alloys.composition import Composition
from pipemetal.alloys.equilibrium import equilibria, equilibrium
from pipemetal.alloys.liquidus import liquidus, outside_assessed_range
from pipemetal.alloys.scheil import freezing_curve
from pipemetal.alloys.solidus import solidus_c
from pipemetal.documents.charts import Axis, Frame
from pipemetal.documents.colours import ALLOY_COLOURS, INK, QUIET
from pipemetal.documents.drawing import Drawing, text_width_mm

__all__ = ["diagram_picture", "freezing_picture"]

_WIDTH, _HEIGHT = 200.0, 130.0
_BOX = (18.0, 26.0, 172.0, 82.0)
_SOURCE = "Computed from assessed Gibbs energies; sources in the footer of pbsn_pipe.tdb"
_QUICK, _SLOW, _MARK = ALLOY_COLOURS[0], ALLOY_COLOURS[1], ALLOY_COLOURS[5]


def freezing_picture(comp: Composition) -> Drawing:
    """Temperature over the share that is solid: quick freezing (Scheil) and, dashed, freezing with time to even out."""
    melting, curve, end_c = liquidus(comp), freezing_curve(comp), solidus_c(comp)
    drawing = _sheet(f"Freezing of {comp.text()}")
    # What lasts below 99 % solid is a trace: the scale keeps to what a caster sees.
    coldest = min(end_c, curve.temperature_at(0.99)) - 4.0
    up = Axis.round(coldest, melting.temperature_c + 4.0, "°C", 7)
    across = Axis.round(0.0, 100.0, "% of the mass solid", 10)
    frame = Frame(drawing, _BOX, across, up)
    quick = [
        (100.0 * f, t)
        for t, f in zip(curve.temperature_c.tolist(), curve.fraction_solid.tolist(), strict=True)
        if t >= up.low
    ]
    frame.line(_slow_freezing(comp, melting.temperature_c, end_c), _SLOW, dashes=(2.4, 1.4))
    frame.line(quick, _QUICK, width_mm=0.8)
    frame.dot(0.0, melting.temperature_c, _MARK)
    sure = f"± {melting.uncertainty_k:.0f} K"
    drawing.text(
        "key",
        _BOX[0] + 4.0,
        frame.point(0.0, melting.temperature_c)[1] + 2.0,
        f"{melting.temperature_c:.1f} °C {sure}: first solid, {melting.first_solid}",
        3.4,
        fill=_MARK,
    )
    _key(
        drawing,
        [("quick, solids keep what they took", _QUICK, ()), (f"slow, all solid at {end_c:.1f} °C", _SLOW, (2.4, 1.4))],
    )
    shares = ", ".join(f"{100.0 * share:.1f} % {name}" for name, share in curve.solids[:4])
    _notes(drawing, f"Quickly frozen: {shares}", comp)
    return drawing


def _slow_freezing(comp: Composition, high_c: float, low_c: float) -> list[tuple[float, float]]:
    """Share solid in equilibrium from the liquidus to the solidus."""
    if high_c - low_c < 0.05:
        return [(0.0, high_c), (100.0, low_c)]
    # Closer together at the end, where a eutectic freezes on a halt.
    steps = 1.0 - np.linspace(1.0, 0.0, 22)[1:-1] ** 2
    temperatures = [*(high_c + (low_c - high_c) * steps).tolist(), low_c + 0.02]
    found = [(100.0 * e.fraction_solid, e.temperature_c) for e in equilibria(comp, temperatures)]
    return [(0.0, high_c), *found, (100.0, low_c)]


@cache
def _lead_tin() -> dict[str, list[tuple[float, float]]]:
    """The lines of the lead-tin diagram: percent of tin and C."""

    def tin(percent: float) -> Composition:
        return Composition.from_wt_pct({"Sn": percent, "Pb": 100.0 - percent})

    eutectic_c = solidus_c(tin(50.0))
    below = {p.name: p.composition.wt_pct("Sn") for p in equilibrium(tin(50.0), eutectic_c - 0.01).phases}
    above = {p.name: p.composition.wt_pct("Sn") for p in equilibrium(tin(50.0), eutectic_c + 0.01).phases}
    lead_end, tin_end, liquid = below["lead-rich"], below["tin-rich"], above["liquid"]
    solvus = [(eutectic_c, lead_end, tin_end)]
    for t in (160.0, 140.0, 120.0, 100.0, 75.0, 50.0):
        found = {p.name: p.composition.wt_pct("Sn") for p in equilibrium(tin(50.0), t).phases}
        solvus.append((t, found["lead-rich"], found["tin-rich"]))
    across = [*np.linspace(0.0, liquid, 26).tolist(), *np.linspace(liquid, 100.0, 18).tolist()[1:]]
    return {
        "liquidus": [(p, liquidus(tin(p)).temperature_c) for p in across],
        "lead solidus": [(p, solidus_c(tin(p))) for p in np.linspace(0.0, lead_end, 9).tolist()[:-1]]
        + [(lead_end, eutectic_c)],
        "tin solidus": [(tin_end, eutectic_c)]
        + [(p, solidus_c(tin(p))) for p in np.linspace(tin_end, 100.0, 5).tolist()[1:]],
        "eutectic": [(lead_end, eutectic_c), (tin_end, eutectic_c)],
        "lead solvus": [(p, t) for t, p, _ in solvus],
        "tin solvus": [(p, t) for t, _, p in solvus],
    }


def diagram_picture(comp: Composition) -> Drawing:
    """The lead-tin diagram with the alloy at its tin content; the dots are its own liquidus and solidus."""
    drawing = _sheet(f"Lead-tin diagram with {comp.text()}")
    hottest = max(330.0, liquidus(comp).temperature_c + 10.0)
    frame = Frame(drawing, _BOX, Axis.round(0.0, 100.0, "% of tin by mass", 10), Axis.round(50.0, hottest, "°C", 8))
    for line in _lead_tin().values():
        frame.line(line, INK, width_mm=0.5)
    tin, high, low = comp.wt_pct("Sn"), liquidus(comp).temperature_c, solidus_c(comp)
    frame.line([(tin, frame.up.low), (tin, frame.up.high)], _MARK, dashes=(1.2, 1.2), width_mm=0.4)
    frame.dot(tin, high, _MARK)
    frame.dot(tin, max(low, frame.up.low), _MARK)
    _fields(frame, tin)
    _key(
        drawing,
        [
            (f"this alloy: liquidus {high:.1f}, solidus {low:.1f} °C", _MARK, (1.2, 1.2)),
            ("lead and tin alone", INK, ()),
        ],
    )
    others = [e for e in comp.present() if e not in ("Pb", "Sn")]
    extra = f"The dots hold for the whole alloy with {', '.join(others)}" if others else "Uncertainty ± 3 K"
    _notes(drawing, extra, comp)
    return drawing


def _fields(frame: Frame, tin: float) -> None:
    """The names of the fields, each at the first of its places that the alloy's line does not cross."""
    for words, places in (
        ("liquid", ((60.0, 275.0), (45.0, 290.0))),
        ("liquid + lead-rich", ((33.0, 212.0), (31.0, 196.0), (40.0, 196.0), (26.0, 196.0))),
        ("liquid + tin-rich", ((86.5, 189.0), (81.0, 187.0))),
        ("lead-rich + tin-rich", ((50.0, 110.0), (25.0, 110.0))),
        ("lead-rich", ((6.5, 205.0), (10.5, 205.0), (8.5, 180.0))),
    ):
        half = 0.5 * text_width_mm(words, 3.4) + 1.0
        line = frame.point(tin, 0.0)[0]
        free = [p for p in places if abs(frame.point(*p)[0] - line) > half]
        x, y = frame.point(*(free or places)[0])
        if not free:  # the line is broken behind the words
            frame.drawing.rectangle("field", x - half, y - 0.8, 2.0 * half, 4.0, fill="#ffffff", stroke="none")
        frame.drawing.text("field", x, y, words, 3.4, anchor="middle", fill=QUIET)


def _sheet(title: str) -> Drawing:
    drawing = Drawing(_WIDTH, _HEIGHT, title)
    drawing.rectangle("paper", 0, 0, _WIDTH, _HEIGHT, fill="#ffffff", stroke="none")
    size = min(4.6, 4.6 * (_WIDTH - 20.0) / max(text_width_mm(title, 4.6), 1.0))
    drawing.text("title", 10.0, _HEIGHT - 8.0, title, size, bold=True)
    return drawing


def _key(drawing: Drawing, rows: list[tuple[str, str, tuple[float, ...]]]) -> None:
    x = _BOX[0]
    for words, colour, dashes in rows:
        drawing.line("key", [(x, 11.2), (x + 10.0, 11.2)], stroke=colour, width_mm=0.8, dashes=dashes)
        drawing.text("key", x + 12.0, 10.0, words, 3.4)
        x += 18.0 + text_width_mm(words, 3.4)


def _notes(drawing: Drawing, first: str, comp: Composition) -> None:
    outside = outside_assessed_range(comp)
    mark = f"OUTSIDE THE ASSESSED RANGE ({'; '.join(outside)}): extrapolated" if outside else _SOURCE
    for y, words, colour in ((5.6, first, QUIET), (1.8, mark, _MARK if outside else QUIET)):
        size = min(3.2, 3.2 * (_WIDTH - 22.0) / max(text_width_mm(words, 3.2), 1.0))
        drawing.text("note", _BOX[0], y, words, size, fill=colour)
