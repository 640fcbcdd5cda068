"""`pipemetal layout` and `pipemetal layout check`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import FILE, json_option, out_option, print_json, print_table, workers_options
from pipemetal.cli.progress import Watch
from pipemetal.errors import LayoutError
from pipemetal.files.layout_file import read_plan, read_problem, write_plan
from pipemetal.layout.hand import ByHand, with_sheets_as_rolls
from pipemetal.layout.jsonform import plan_to_dict
from pipemetal.layout.plan import LayoutPlan, Placement
from pipemetal.layout.problem import LayoutProblem
from pipemetal.layout.proof import Proof

if TYPE_CHECKING:
    from pipemetal.executor import Executor
    from pipemetal.layout.search import SolverSettings
    from pipemetal.layout.waste import Waste

__all__ = ["layout", "layout_check", "layout_waste"]


@click.command(short_help="Place blanks on rolls and on sheets to cast.")
@click.argument("problem_file", metavar="PROBLEM.json", type=FILE)
@out_option("--out", "out", metavar="PLAN.json", help="Where to write the plan.")
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), help="Time to search, 10 s where neither is given.")
@click.option("--iterations", type=click.IntRange(1), help="Moves instead of seconds: same seed and moves, same plan.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@click.option("--seeds", type=click.IntRange(1, 256), help="Try so many seeds and keep the best [one a worker].")
@workers_options
@click.option(
    "--objective",
    type=click.Choice(["consumed", "opened"]),
    default="consumed",
    show_default=True,
    help="What is to be least: metal less useful remnants, or whole sheets.",
)
@click.option(
    "--straight-cuts", is_flag=True, help="Straight cuts, each across the whole piece in hand, must free every blank."
)
@click.option("--from", "start_file", type=FILE, metavar="PLAN.json", help="A plan to go on from.")
@click.option(
    "--pin",
    multiple=True,
    metavar="BLANK",
    help="Keep this blank where PLAN.json has it (or 'roll:NAME': all of a roll).",
)
@click.option("--bar", multiple=True, metavar="BLANK=ROLL", help="This blank may not lie on this roll.")
@click.option("--prove", is_flag=True, help="Prove the least whole sheets by exact search (small jobs; extra 'exact').")
@json_option
def layout(
    problem_file: Path,
    out: Path | None,
    seconds: float | None,
    iterations: int | None,
    seed: int,
    seeds: int | None,
    workers: int | None,
    cluster: str | None,
    objective: str,
    straight_cuts: bool,
    start_file: Path | None,
    pin: tuple[str, ...],
    bar: tuple[str, ...],
    prove: bool,
    as_json: bool,
) -> None:
    """Place the blanks of PROBLEM.json where the metal has the thickness they want.

    With --workers N as many seeds are searched at once, each on a core of its own, and the best plan is kept.

    A plan can be gone on from: blanks that a person has pinned stay where they are, and the rest is laid anew around them.
    The sheets to cast of that plan then count as they are.

    The plan goes through the independent check before it is written. Ctrl+C ends the search with the best plan so far. Exit code
    1 when a blank could not be served; it is named with the reason.
    """
    from pipemetal.executor import executor_for
    from pipemetal.layout.hand import with_new_sheets
    from pipemetal.layout.limits import check_size
    from pipemetal.layout.proof import finish
    from pipemetal.layout.search import SolverSettings
    from pipemetal.layout.verify import verify

    given = read_problem(problem_file)
    check_size(given, seconds if iterations is None else None)
    settings = SolverSettings(objective=objective, straight_cuts_only=straight_cuts)
    start = read_plan(start_file, given) if start_file is not None else None
    problem, hand = _by_hand(given, start, pin, bar)
    proof = None
    with Watch("placing blanks", quiet=as_json) as watch:
        # reading, the first plan and the check belong to the time that was asked for
        search = Search(problem, _time_left(given, seconds, iterations), iterations, settings, hand)
        count = seeds or workers or 1
        if count == 1 and cluster is None:
            plan = search.plan(seed, watch.progress, watch.should_stop)
        else:
            plan = _best_of(search, range(seed, seed + count), executor_for(workers, cluster), watch)
        if prove:
            plan, proof = finish(problem, plan, settings=settings)
    if start is not None:
        plan = with_new_sheets(plan, start)
    faults = verify(given, plan)
    if out is not None:
        write_plan(out, plan)
    if as_json:
        proven = {"proof": {"opened_mm2": proof.bound.value_mm2, "method": proof.bound.method}} if proof else {}
        print_json(plan_to_dict(plan) | {"faults": [vars(f) for f in faults]} | proven)
    else:
        _print_layout(problem_file.name, given, plan, len(faults), proof, out)
    click.get_current_context().exit(1 if plan.unplaced or faults else 0)


def _print_layout(
    name: str, problem: LayoutProblem, plan: LayoutPlan, faults: int, proof: Proof | None, out: Path | None
) -> None:
    print_table(
        f"Layout of {name}",
        ["", "value"],
        [
            ("blanks placed", f"{len(plan.placements)} of {len(problem.blanks)}"),
            ("rolls and sheets used", len({p.roll for p in plan.placements})),
            ("sheets to cast", len(plan.new_sheets)),
            ("metal consumed", f"{plan.consumed_mm2 / 1e6:.3f} m2"),
            ("whole sheets opened", f"{plan.opened_mm2 / 1e6:.3f} m2"),
            ("of it blanks", f"{100 * plan.utilisation:.1f} %"),
            ("no plan can use less than", f"{plan.lower_bound_mm2 / 1e6:.3f} m2"),
            ("gap to that", f"{plan.gap_percent:.1f} %"),
            ("faults found by the independent check", faults),
            *_proof_rows(plan, proof),
        ],
        [f"Not served: {u.blank}: {u.reason}" for u in plan.unplaced] + ([f"Plan written to {out}."] if out else []),
    )


def _time_left(problem: LayoutProblem, seconds: float | None, iterations: int | None) -> float | None:
    """The seconds for the search, the check taken off."""
    if iterations is not None:
        return None
    from pipemetal.layout.budget import DEFAULT_SECONDS
    from pipemetal.layout.limits import check_seconds

    asked = seconds if seconds is not None else DEFAULT_SECONDS
    return max(asked - check_seconds(problem), 0.1 * asked)


@dataclass(frozen=True, eq=False)
class Search:
    """One search, to be done with any seed, here or elsewhere."""

    problem: LayoutProblem
    seconds: float | None
    iterations: int | None
    settings: SolverSettings
    hand: ByHand

    def plan(
        self,
        seed: int,
        progress: Callable[[float, str], None] | None = None,
        should_stop: Callable[[], bool] | None = None,
    ) -> LayoutPlan:
        """The plan of one seed."""
        from pipemetal.layout.solve import solve

        return solve(
            self.problem,
            seconds=self.seconds,
            iterations=self.iterations,
            seed=seed,
            progress=progress,
            should_stop=should_stop,
            settings=self.settings,
            hand=self.hand,
        )


def _best_of(search: Search, seeds: Sequence[int], executor: Executor, watch: Watch) -> LayoutPlan:
    """The plan of the seed that serves most, then uses least; at a tie the lower seed, so that the same seeds give the same."""
    found: dict[int, LayoutPlan] = {}
    for outcome in executor.run(search.plan, seeds, watch.should_stop):
        if outcome.result is None:
            raise LayoutError(outcome.error, field="--seeds", value=seeds[outcome.index])
        found[outcome.index] = outcome.result
        watch.progress(len(found) / len(seeds), f"{len(found)} of {len(seeds)} seeds")
    if not found:
        raise LayoutError("was stopped before the first plan was there", field="--seeds", value=len(seeds))
    opened = search.settings.objective == "opened"
    best = min(
        found, key=lambda i: (len(found[i].unplaced), found[i].opened_mm2 if opened else found[i].consumed_mm2, i)
    )
    return found[best]


def _by_hand(
    problem: LayoutProblem, start: LayoutPlan | None, pin: tuple[str, ...], bar: tuple[str, ...]
) -> tuple[LayoutProblem, ByHand]:
    """The problem and what a person has settled, from the words of the command line."""
    barred = []
    for word in bar:
        blank, mark, roll = word.partition("=")
        if not mark or blank not in {b.id for b in problem.blanks} or roll not in {r.id for r in problem.rolls}:
            raise LayoutError(
                "is not a blank and a roll of the problem", field="--bar", value=word, allowed="BLANK=ROLL"
            )
        barred.append((blank, roll))
    if start is None:
        if pin:
            raise LayoutError(
                "needs a plan to keep its place from", field="--pin", value=pin[0], allowed="with --from PLAN.json"
            )
        return problem, ByHand(barred=tuple(barred))
    pinned: list[Placement] = []
    for word in pin:
        name = word.removeprefix("roll:")
        some = [p for p in start.placements if (p.roll if word.startswith("roll:") else p.blank) == name]
        if not some:
            raise LayoutError("has no place in the plan", field="--pin", value=word)
        pinned += some
    return with_sheets_as_rolls(problem, start), ByHand(tuple(dict.fromkeys(pinned)), tuple(barred), start)


def _proof_rows(plan: LayoutPlan, proof: Proof | None) -> list[tuple[str, str]]:
    if proof is None:
        return []
    reached = proof.proven and plan.opened_mm2 <= proof.bound.value_mm2 * (1.0 + 1e-6)
    verdict = "; this plan opens no more" if reached else ""
    return [("no plan can open less than", f"{proof.bound.value_mm2 / 1e6:.4f} m2, {proof.bound.method}{verdict}")]


@click.command(short_help="The independent check of a plan.")
@click.argument("problem_file", metavar="PROBLEM.json", type=FILE)
@click.argument("plan_file", metavar="PLAN.json", type=FILE)
@json_option
def layout_check(problem_file: Path, plan_file: Path, as_json: bool) -> None:
    """Check PLAN.json against PROBLEM.json; exit code 1 when there is a fault or a blank that is not served."""
    from pipemetal.layout.verify import verify

    problem = read_problem(problem_file)
    plan = read_plan(plan_file, problem)
    faults = verify(problem, plan)
    if as_json:
        print_json({"faults": [vars(f) for f in faults], "unplaced": plan_to_dict(plan)["unplaced"]})
    else:
        print_table(
            f"{plan_file.name} against {problem_file.name}",
            ["fault", "blank", "roll", "what"],
            [(f.kind, f.blank, f.roll, f.detail) for f in faults],
            [f"{len(faults)} faults, {len(plan.placements)} blanks placed, {len(plan.unplaced)} not served."],
        )
    click.get_current_context().exit(1 if faults or plan.unplaced else 0)


@click.command(short_help="Where the metal of a plan goes that becomes no blank.")
@click.argument("problem_file", metavar="PROBLEM.json", type=FILE)
@click.argument("plan_file", metavar="PLAN.json", type=FILE)
@out_option("--out", "out", metavar="WASTE.svg", help="Where to write a picture of all sheets.")
@json_option
def layout_waste(problem_file: Path, plan_file: Path, out: Path | None, as_json: bool) -> None:
    """Show how much metal of PLAN.json becomes no blank, of which kind and on which sheet.

    The picture shows every sheet with its blanks and where each kind of waste lies.
    """
    from pipemetal.documents.svg import to_svg
    from pipemetal.documents.waste_picture import waste_picture
    from pipemetal.files.outbox import write
    from pipemetal.layout.waste import Waste, told_of_waste, waste_by_alloy, waste_of

    problem = read_problem(problem_file)
    sheets = waste_of(problem, read_plan(plan_file, problem))
    by_alloy = waste_by_alloy(sheets)
    if out is not None:
        write(out, to_svg(waste_picture(sheets)))
    if as_json:
        rows = [
            {
                "sheet": s.sheet,
                "alloy": s.alloy,
                "to_cast": s.is_new,
                "consumed_mm2": s.consumed_mm2,
                "kept_mm2": s.kept_mm2,
                "blanks_mm2": s.blanks_mm2,
                "waste_mm2": {kind.name.lower(): area for kind, area in s.by_kind.items()},
            }
            for s in sheets
        ]
        print_json({"sheets": rows})
        return
    told = told_of_waste(sheets)
    print_table(
        f"Metal of {plan_file.name} that becomes no blank, m2",
        ["kind", *by_alloy, "in all"],
        [
            (kind.value, *(f"{row[kind] / 1e6:.3f}" for row in by_alloy.values()), f"{_in_all(by_alloy, kind):.3f}")
            for kind in Waste
        ],
        [*([told] if told is not None else []), *([f"Picture written to {out}."] if out else [])],
    )


def _in_all(by_alloy: Mapping[str, Mapping[Waste, float]], kind: Waste) -> float:
    return sum(row[kind] for row in by_alloy.values()) / 1e6
