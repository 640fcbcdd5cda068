"""`pipemetal cast calibrate`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipemetal.cli.casting_drawings import cards_option, cast_picture, learned_drawing, pictures_option
from pipemetal.cli.common import FILE, json_option, print_json, print_table, rounded
from pipemetal.files.log_file import read_log

if TYPE_CHECKING:
    from pipemetal.casting.calibrate import Calibration
    from pipemetal.casting.learn import ClothFit, VerdictFit
    from pipemetal.casting.run_up import RunUp
    from pipemetal.casting.says import Quantity

__all__ = ["calibrate"]


@click.command(short_help="Learn the shop's coefficients from its casting log.")
@click.argument("log_file", metavar="LOG.csv", type=FILE)
@click.option(
    "--explain", "explained", metavar="CAST", help="Why this cast came out so, and what the next should change."
)
@click.option(
    "--against", metavar="CAST", help="With --explain: the cast to compare with. Default: a near one before it."
)
@cards_option
@pictures_option("With --explain: write thickness along the sheet with band and readings as SVG.")
@json_option
def calibrate(
    log_file: Path, explained: str | None, against: str | None, cards: Path | None, folder: Path | None, as_json: bool
) -> None:
    """Learn from LOG.csv: how thickness goes with each quantity, what was left out and why, and what to cast next.

    Groups (alloy, gate, sled, cloth, crew, table, season) that cast thicker, and drift, are named where the log tells them.
    """
    from pipemetal.casting.calibrate import calibrate as fit
    from pipemetal.casting.learn import cloth_from_log, limits_from_verdicts
    from pipemetal.casting.next_cast import next_casts, two_starts_percent
    from pipemetal.casting.says import quantities
    from pipemetal.files.casting_json import learned_dict

    casts = read_log(log_file)
    found = fit(casts)
    if explained is None and (against is not None or folder is not None):
        raise click.UsageError("--against and --pictures need --explain CAST")
    if explained is not None:
        if folder is not None:
            cast_picture(folder, explained, casts, found)
        _explain(explained, against, casts, found, as_json)
        return
    cloth = cloth_from_log(casts)
    verdicts = limits_from_verdicts(casts, cloth.settings)
    told = quantities(found.law, found.reduced)
    if cards is not None:
        learned_drawing(cards, found, cloth, verdicts)
    left_out = [{"id": x.id, "reason": x.reason} for x in (*found.casts_left_out, *found.readings_left_out)]
    trials = next_casts(found.law, found.reduced)
    if as_json:
        starts = two_starts_percent(found.law, found.reduced)
        print_json(
            learned_dict(found, told, trials, starts)
            | {
                "left_out": left_out,
                "cloth_factor": rounded(cloth.factor, 3),
                "shortest_mobile_s": rounded(verdicts.limits.shortest_mobile_s, 2),
                "longest_mobile_s": rounded(verdicts.limits.longest_mobile_s, 2),
                "edges_stand_solid": rounded(verdicts.limits.edges_stand, 3),
                "sets_in_sled_solid": rounded(verdicts.limits.sets_in_sled, 3),
                "log_next": found.log_next,
            }
        )
        return
    _print_learned(log_file.name, found, cloth, verdicts, told)


def _print_learned(
    name: str, found: Calibration, cloth: ClothFit, verdicts: VerdictFit, told: Sequence[Quantity]
) -> None:
    """What a log teaches, for people."""
    left_out = (*found.casts_left_out, *found.readings_left_out)
    limits = verdicts.limits
    print_table(
        f"What {name} teaches",
        ["", "value", "between (95 %)", "before any cast"],
        [(q.name, f"{q.value:.2f}", f"{q.low:.2f} to {q.high:.2f}", f"{q.before:.2f}") for q in told]
        + [
            ("scatter from cast to cast, %", f"{100.0 * found.law.cast_scatter:.1f}", "", ""),
            ("scatter from place to place, %", f"{100.0 * found.law.station_scatter:.1f}", "", ""),
            _run_up_row(found.law.run_up),
            ("resistance of the cloth, times the default", f"{cloth.factor:.2f}", f"from {cloth.casts_used} casts", ""),
            ("hot metal should run, s", f"{limits.shortest_mobile_s:.1f} to {limits.longest_mobile_s:.1f}", "", ""),
            (
                "slush: solid at the gate, %",
                f"{100.0 * limits.edges_stand:.0f} to {100.0 * limits.sets_in_sled:.0f}",
                f"from {verdicts.verdicts_used} verdicts",
                "",
            ),
        ],
        [f"{found.words}."]
        + ["Likeliest: " + ", ".join(f"{n} {100 * w:.0f} %" for n, w in found.law.regimes.items() if w > 0.02) + "."]
        + [f"Departs: {q.words}." for q in told if q.differs]
        + [f"To learn most from the next casts: {found.log_next}.", f"Drift: {found.drift.words}."]
        + [f"{g.words}." for g in found.groups if g.differs]
        + _alike(found.groups)
        + [f"Watch: {w}." for w in found.watch]
        + [f"Left out: {x.id}: {x.reason}" for x in left_out],
    )


def _run_up_row(run_up: RunUp) -> tuple[str, str, str, str]:
    """What goes before the sheet, over the first film times the run-up."""
    from pipemetal.casting.model import TWO_SIDED_95
    from pipemetal.casting.run_up import USUAL_RATIO

    reach = TWO_SIDED_95 * run_up.sd
    name = "metal before the sheet, over the first film"
    between = f"{max(run_up.ratio - reach, 0.0):.2f} to {run_up.ratio + reach:.2f}"
    return (name, f"{run_up.ratio:.2f}", between, f"{USUAL_RATIO:.2f}")


def _alike(groups: Any) -> list[str]:
    """The kinds of groups that the log cannot tell apart, in one line."""
    kinds = list(dict.fromkeys(g.kind for g in groups))
    alike = [k for k in kinds if not any(g.differs for g in groups if g.kind == k)]
    return [f"No difference that the log can tell between: {', '.join(alike)}."] if alike else []


def _explain(cast_id: str, against: str | None, casts: Any, found: Any, as_json: bool) -> None:
    from pipemetal.casting.explain import explain

    why = explain(cast_id, casts, found, against)
    if as_json:
        print_json(
            {
                "cast": why.cast,
                "reference": why.reference,
                "measured_mean_mm": rounded(why.measured_mean_mm, 3),
                "expected_mean_mm": rounded(why.expected_mean_mm, 3),
                "reference_mean_mm": rounded(why.reference_mean_mm, 3),
                "causes": [
                    {
                        "name": c.name,
                        "start_mm": rounded(c.start_mm, 3),
                        "middle_mm": rounded(c.middle_mm, 3),
                        "end_mm": rounded(c.end_mm, 3),
                        "mean_mm": rounded(c.mean_mm, 3),
                        "words": c.words,
                    }
                    for c in why.causes
                ],
                "within_scatter": why.within_scatter,
                "next": why.next_words,
                "rests_on": why.rests_on,
            }
        )
        return
    print_table(
        f"Why {why.cast} came out {why.measured_mean_mm:.2f} mm on the mean, against the settings of {why.reference}",
        ["mm", "start", "middle", "end", "mean", ""],
        [(f"as {why.reference}", "", "", "", f"{why.reference_mean_mm:.2f}", "")]
        + [
            (c.name, f"{c.start_mm:+.2f}", f"{c.middle_mm:+.2f}", f"{c.end_mm:+.2f}", f"{c.mean_mm:+.2f}", c.words)
            for c in why.causes
        ]
        + [("measured", "", "", "", f"{why.measured_mean_mm:.2f}", "")],
        [f"Next: {why.next_words}.", f"Rests on {why.rests_on}: the look of the metal decides."],
    )
