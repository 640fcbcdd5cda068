"""`pipemetal layout` and `pipemetal layout-check`."""

from __future__ import annotations

from pathlib import Path

import click

from pipemetal.cli.common import FILE, json_option, print_json, print_table
from pipemetal.cli.progress import Watch
from pipemetal.files.layout_file import read_plan, read_problem, write_plan
from pipemetal.layout.jsonform import plan_to_dict

__all__ = ["layout", "layout_check"]


@click.command(short_help="Place blanks on rolls and on sheets to cast.")
@click.argument("problem_file", metavar="PROBLEM.json", type=FILE)
@click.option("--out", "out", type=FILE, metavar="PLAN.json", help="Where to write the plan.")
@click.option("--seconds", type=click.FloatRange(0.1, 86_400), help="Time to search, 10 s where neither is given.")
@click.option("--iterations", type=click.IntRange(1), help="Moves instead of seconds: same seed and moves, same plan.")
@click.option("--seed", type=click.IntRange(0), default=0, show_default=True)
@json_option
def layout(
    problem_file: Path, out: Path | None, seconds: float | None, iterations: int | None, seed: int, as_json: bool
) -> None:
    """Place the blanks of PROBLEM.json where the metal has the thickness they want.

    The plan is checked by the verifier before it is written. Ctrl+C ends the search with the best plan so far. Exit code
    1 when a blank could not be served; it is named with the reason.
    """
    from pipemetal.layout.solve import solve
    from pipemetal.layout.verify import verify

    problem = read_problem(problem_file)
    with Watch("placing blanks", quiet=as_json) as watch:
        plan = solve(
            problem, seconds=seconds if iterations is None else None, iterations=iterations, seed=seed,
            progress=watch.progress, should_stop=watch.should_stop,
        )  # fmt: skip
    faults = verify(problem, plan)
    if out is not None:
        write_plan(out, plan)
    if as_json:
        print_json(plan_to_dict(plan) | {"faults": [vars(f) for f in faults]})
    else:
        print_table(
            f"Layout of {problem_file.name}",
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
                ("faults found by the verifier", len(faults)),
            ],
            [f"Not served: {u.blank}: {u.reason}" for u in plan.unplaced]
            + ([f"Plan written to {out}."] if out else []),
        )
    click.get_current_context().exit(1 if plan.unplaced or faults else 0)


@click.command(short_help="Check a plan with the verifier that stands apart.")
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
