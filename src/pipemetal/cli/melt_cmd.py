"""`pipemetal charge`."""

from __future__ import annotations

from pathlib import Path

import click

from pipemetal.alloys.composition import ELEMENTS
from pipemetal.cli.common import json_option, load_recipes, print_json, print_table, recipes_option, rounded
from pipemetal.errors import MeltError
from pipemetal.files.charge_file import read_charge
from pipemetal.melts.charge import Charge
from pipemetal.melts.mend import Blocked, correct
from pipemetal.melts.mend import charge as charge_melt
from pipemetal.melts.relax import Relaxed, what_relaxing_saves

__all__ = ["charge"]


@click.command(short_help="Weigh out a melt from lots, or correct one that is assayed.")
@click.argument("words", metavar="[correct] CHARGE.toml", nargs=-1, required=True)
@recipes_option
@json_option
def charge(words: tuple[str, ...], recipes_path: Path | None, as_json: bool) -> None:
    """The weighing list of CHARGE.toml in the order of loading, or which element stands in the way.

    `charge correct CHARGE.toml` takes the file's heel as the whole pot with its assay and says what to add, as little as
    will do. Exit code 1 when the recipe cannot be met; the smallest addition that mends it is named.
    """
    correcting = len(words) == 2 and words[0] == "correct"
    if len(words) != 1 and not correcting:
        raise MeltError("is not understood", field="arguments", value=" ".join(words), allowed="[correct] CHARGE.toml")
    path = Path(words[-1])
    job = read_charge(path, load_recipes(recipes_path, path))
    if correcting:
        if job.request.heel is None:
            raise MeltError("is missing: the pot's mass and assay", field="[heel]", where=path.name)
        answer = correct(
            job.request.heel, job.request.recipe, job.lots, job.request.capacity_kg, weigh_step_kg=job.weigh_step_kg
        )
    else:
        answer = charge_melt(
            job.request, job.lots, objective=job.objective, certainty=job.certainty, weigh_step_kg=job.weigh_step_kg
        )
    if isinstance(answer, Blocked):
        _print_blocked(answer, as_json)
        click.get_current_context().exit(1)
    relaxed = () if correcting else what_relaxing_saves(
        answer, job.lots, certainty=job.certainty, weigh_step_kg=job.weigh_step_kg
    )  # fmt: skip
    _print_charge(answer, relaxed, "least added" if correcting else job.objective, as_json)


def _print_blocked(answer: Blocked, as_json: bool) -> None:
    rows = [
        {
            "element": b.element,
            "reached_wt_pct": rounded(b.reached_wt_pct, 3),
            "low_wt_pct": b.low_wt_pct,
            "high_wt_pct": b.high_wt_pct,
        }
        for b in answer.blockages
    ]
    if as_json:
        print_json({"blocked_by": rows, "missing_kg": dict(answer.missing_kg), "words": answer.words})
        return
    print_table(
        f"{answer.request.name}: {answer.request.recipe.name} cannot be met",
        ["element", "reaches %", "window %"],
        [(b.element, f"{b.reached_wt_pct:.3f}", f"{b.low_wt_pct:g} to {b.high_wt_pct:g}") for b in answer.blockages],
        [answer.words[0].upper() + answer.words[1:] + "."],
    )


def _print_charge(answer: Charge, relaxed: tuple[Relaxed, ...], aim: str, as_json: bool) -> None:
    values, half = answer.composition.as_wt_pct(), dict(answer.half_width_wt_pct)
    present = [e for e in ELEMENTS if values[e] > 0.0]
    between = {e: [rounded(max(values[e] - half[e], 0.0), 3), rounded(values[e] + half[e], 3)] for e in present}
    if as_json:
        print_json({
            "lots": [{"id": x.lot.id, "mass_kg": rounded(x.mass_kg, 3), "pieces": x.pieces} for x in answer.lines],
            "composition_wt_pct": {e: rounded(values[e]) for e in present}, "interval_wt_pct": between,
            "mass_kg": rounded(answer.mass_kg, 3), "charged_kg": rounded(answer.charged_kg, 3),
            "loss_kg": {e: rounded(m, 4) for e, m in answer.loss_kg if m > 0.0}, "cost": rounded(answer.cost, 2),
            "gap_percent": rounded(answer.gap_percent, 3), "binding": list(answer.binding),
            "relaxed": [vars(r) | {"saves": rounded(r.saves, 2)} for r in relaxed],
        })  # fmt: skip
        return
    request = answer.request
    print_table(
        f"{request.name}: weighing list for {request.recipe.name}, in the order of loading",
        ["", "lot", "kg", "pieces", "kind", "what it is"],
        [
            ("[ ]", x.lot.id, f"{x.mass_kg:.1f}", x.pieces or "", x.lot.kind, x.lot.note or x.lot.composition.text())
            for x in answer.lines
        ],
    )
    windows = {e: f"{low:g} to {high:g}" for e, low, high in request.recipe.windows_wt_pct}
    notes = [
        f"{answer.charged_kg:.1f} kg to weigh"
        + (f" on a heel of {request.heel.mass_kg:g} kg" if request.heel else "")
        + f"; {answer.mass_kg:.1f} kg after skimming, {answer.dross_kg:.1f} kg of metal go with the dross.",
        f"Cost {answer.cost:.2f}. By its aim, {aim}, at most {answer.gap_percent:.2f} % off the best possible.",
    ]
    notes += [f"At the edge of its window: {words}." for words in answer.binding]
    notes += [
        f"{r.element} {r.edge} at {r.to_wt_pct:.4g} % (now {r.from_wt_pct:g}) would save {r.saves:.2f} in cost; recipe decides."
        for r in relaxed
    ]
    notes.append("Everything dry and warm. The pot's assay decides, not this table.")
    print_table(
        "The melt should be",
        ["element", "%", "between (95 %)", "window"],
        [
            (e, f"{values[e]:.3f}", f"{between[e][0]:.3f} to {between[e][1]:.3f}", windows.get(e, "free"))
            for e in present
        ],
        notes,
    )
