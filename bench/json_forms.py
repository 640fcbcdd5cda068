"""Write docs/json.md and docs/schemas/*.json, the forms of what `--json` prints: `python bench/json_forms.py`, or `make docs`.

Every command that has `--json` is run in the folder of the invented shop, one after the other; a form is what all its answers
have in common. A test runs them again and holds each answer against its form.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import tempfile
import textwrap
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np

from pipemetal.cli.main import COMMANDS, NOUNS, _loaded, main
from pipemetal.files.demo_files import copy_demo_shop

ROOT = Path(__file__).parents[1]
PAGE, FOLDER = ROOT / "docs" / "json.md", ROOT / "docs" / "schemas"
OLD_RANK = ROOT / "docs" / "how-to" / "old-rank.md"
"""Its blocks are the files of an old rank."""
CHAPEL = """[organ]
name = "Chapel"

[[rank]]
name = "Octave 4"
division = "Great"
footage = "4'"
compass = "c-a"
alloy = "spotted-50"
scale = { half_tones = -2 }
"""
WIDER = '[[variant]]\nname = "without scrap S1"\nwithout_lots = ["S1"]\n'
OLD = "note,footage,diameter_mm\nC,2',47.5\nF,2',39.6\nc,2',28.4\nf,2',23.6\nc1,2',16.9\nf1,2',14.1\nc2,2',10.1\n"
OLD_PIPES = (
    "note,footage,diameter_mm,length_mm,thickness_mm,mouth_width_mm,condition\n"
    "C,2',47.5,590,0.8,36,good\nc,2',28.4,290,0.7,21,good\n"
)
TRIMMED = "rank,note,length_mm,heard_hz,air_c\n" + "".join(
    f"Octave 4,{note},{length},{hertz},17.4\n"
    for note, length, hertz in (
        ("c", 571.2, 261.41),
        ("d", 508.0, 293.4),
        ("e", 451.0, 329.5),
        ("f", 425.1, 349.0),
        ("g", 377.0, 391.9),
        ("a", 335.0, 439.6),
    )
)
RUNS = (
    "pipes chapel.toml",
    "blanks chapel.toml",
    "card chapel.toml --rank Octave_4",
    "card chapel.toml --rank Octave_4 --note c",
    "walls",
    "reuse oldpipes.csv chapel.toml",
    "scale fit measured.csv",
    "scale show chapel.toml",
    "old-rank say old.toml",
    "old-rank make old.toml --out oldrank",
    "old-rank dossier old.toml --out dossier.pdf",
    "ear measure c.wav",
    "ear measure c.wav --organ chapel.toml --rank Octave_4 --note c --air 18",
    "ear rank c.wav chapel.toml --rank Octave_4 --air 18",
    "ear beats two.wav",
    "ear learn trimmed.csv chapel.toml",
    "alloy Sn_50_Sb_0.5_Pb_bal",
    "alloy Sn_50_Pb_bal --at 320",
    "assay --air 200 --water 177.4",
    "charge charge.toml",
    "charge correct charge.toml",
    "day sheets.csv --lots lots.csv",
    "dross melts.csv",
    "scrap lots.csv",
    "cool Sn50Pb50 --mass 60 --from 340 --to 290",
    "push sheet-spotted.toml",
    "freeze Sn50Pb50 --thickness 1.5 --casts 2",
    "calibrate log.csv",
    "new --shop fresh.sqlite --run Ada",
    "doctor --shop fresh.sqlite --by Ada",
    "import . --shop shop.sqlite",
    "plan chapel.toml --shop shop.sqlite --out chapel --iterations 40",
    "variants chapel.toml --rack . --lots lots.csv --vary wider.toml --iterations 20",
    "buy chapel/plan.json --lots lots.csv --offers offers.csv",
    "layout chapel/layout-problem.json --iterations 20",
    "layout-check chapel/layout-problem.json chapel/layout-plan.json",
    "layout-waste chapel/layout-problem.json chapel/layout-plan.json",
    "rolls",
    "rolls R126",
    "lots",
    "lots T1",
    "lots enter T9 --mass 25 --composition Sn_99.9_Pb_bal",
    "melts enter M9 --recipe spotted-50 --charge T9=12,A1=10",
    "casts --add one.csv --melt M9 --used 8",
    "melts",
    "casts",
    "accept chapel/plan.json --shop shop.sqlite",
    "anew --shop shop.sqlite --effort 0.1",
    "reserved",
    "reserved --casts",
    "done {plan} --roll {roll}",
    "done {plan} --melt {melt} --as CH-{melt} --sure",
    "trace {roll}",
    "trace lot:T1",
    "history",
    "weigh lot:T9 12.5",
    "undo {event}",
    "analysis lot:T1 Sn_99.8_Pb_bal",
    "sell lot:T9 2",
    "unexplained",
    "attach lot:T1 photo.png",
    "attach lot:T1",
    "trim {cast}",
    "settings show",
    "settings keep shop.toml",
    "settings forget",
    "people add Ada --role run --by Ada",
    "people list --by Ada",
    "people add Ben --role look --by Ada",
    "people role Ben work --by Ada",
    "people pin Ben --by Ada",
    "people password Ben --by Ada",
    "people token Ben --role look --note a_display --by Ada",
    "people tokens --by Ada",
    "people withdraw {token} --by Ada",
    "people close Ben --by Ada",
    "label R126 --out label.pdf --by Ada",
    "paper chapel/plan.json metal-account --out papers",
    "patterns chapel.toml --note c --part body --as svg --out patterns",
    "export tables --by Ada",
    "dump dumped --by Ada",
    "load dumped --shop loaded.sqlite",
    "backup today.backup --by Ada",
    "restore today.backup --shop moved.sqlite",
    "doctor --by Ada",
    "new --shop new.sqlite --run Ada",
)
SAME = {"demo": "plan"}
"""Commands that print what another prints."""
MAPS = {"texts", "counts", "first", "pots"}


def prepared(folder: Path) -> None:
    """The folder of the invented shop with what the runs need besides."""
    copy_demo_shop(folder)
    for name, text in (
        ("chapel.toml", CHAPEL),
        ("wider.toml", WIDER),
        ("measured.csv", OLD),
        ("oldpipes.csv", OLD_PIPES),
        ("trimmed.csv", TRIMMED),
    ):
        (folder / name).write_text(text, encoding="utf-8")
    lines = [line for line in (folder / "log.csv").read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    (folder / "one.csv").write_text(
        "\n".join([lines[0], "C900" + lines[1][lines[1].index(",") :], ""]), encoding="utf-8"
    )
    for name, text in re.findall(r"cat > (\S+) <<END\n(.*?)\n *END", OLD_RANK.read_text(encoding="utf-8"), re.DOTALL):
        (folder / name).write_text(textwrap.dedent(text) + "\n", encoding="utf-8")
    sound(folder / "c.wav", (261.4,))
    sound(folder / "two.wav", (261.4, 262.1))
    from PIL import Image

    Image.new("RGB", (8, 8), "white").save(folder / "photo.png")


def sound(path: Path, hertz: tuple[float, ...]) -> None:
    """Pipes that sound together for four seconds."""
    rng, t = np.random.default_rng(3), np.arange(4 * 48_000) / 48_000
    made = sum(a * np.sin(2 * np.pi * f * k * t + k) for f in hertz for k, a in enumerate((1.0, 0.5, 0.3, 0.2, 0.1), 1))
    made = 0.15 * np.asarray(made) + 1e-4 * rng.standard_normal(t.size)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(48_000)
        file.writeframes((made * 32767).astype("<i2").tobytes())


def answers(folder: Path) -> Iterator[tuple[str, object]]:
    """Each command with what it prints, run in a prepared folder."""
    known = {"plan": "Chapel_#1", "roll": "", "melt": "", "event": "", "token": "", "cast": "C900"}
    for run in RUNS:
        words = [word.format(**known).replace("_", " ") for word in run.split()]
        found = answer(words)
        if words[0] == "plan":
            known["melt"] = next((m["name"] for m in found["melts"] if m.get("lots")), "M01")
            known["roll"] = found["rolls_used"][0]["id"] if found["rolls_used"] else "R126"
        if command_of(words) == "people tokens":
            known["token"] = str(found["tokens"][0]["id"])
        known["event"] = str(found.get("event") or known["event"])
        yield command_of(words), found


def answer(words: list[str]) -> dict[str, Any]:
    """The object that a command prints."""
    said, wrong = io.StringIO(), io.StringIO()
    with (
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(wrong),
        typed("4711471147\n" if "password" in words else "4711\n"),
    ):
        try:
            main([*words, "--json"])
        except SystemExit as ended:
            if ended.code not in (0, 1, None):
                raise RuntimeError(f"{' '.join(words)}: {wrong.getvalue() or said.getvalue()}") from None
    found = json.loads(said.getvalue())
    assert isinstance(found, dict)
    return found


@contextlib.contextmanager
def typed(text: str) -> Iterator[None]:
    """What is typed on standard input."""
    import sys

    held, sys.stdin = sys.stdin, io.StringIO(text)
    try:
        yield
    finally:
        sys.stdin = held


def command_of(words: list[str]) -> str:
    """The command of a run: its name, and its verb where it has verbs of its own."""
    return " ".join(words[:2]) if isinstance(_loaded(words[0]), click.Group) else words[0]


def commands() -> set[str]:
    """Every command that has --json."""
    found = set()
    for name in COMMANDS:
        command = _loaded(name)
        held = {name: command}
        if isinstance(command, click.Group):
            held = {f"{name} {verb}": under for verb, under in command.commands.items()}
        found |= {title for title, one in held.items() if any(p.name == "as_json" for p in one.params)}
    return found


def form_of(values: list[Any], key: str = "") -> dict[str, Any]:
    """What some values have in common, as a JSON schema."""
    kinds = sorted({kind_of(v) for v in values})
    form: dict[str, Any] = {"type": kinds[0] if len(kinds) == 1 else kinds} if kinds else {}
    if kinds == ["null"]:
        return {}  # empty in the invented shop, so that nothing is known of it
    rows = [v for v in values if isinstance(v, dict)]
    if rows:
        names = list(dict.fromkeys(name for row in rows for name in row))
        if key in MAPS or any(not name.isidentifier() or not name.islower() for name in names):
            form["additionalProperties"] = form_of([v for row in rows for v in row.values()])
        else:
            form["properties"] = {name: form_of([row[name] for row in rows if name in row], name) for name in names}
            form["required"] = [name for name in names if all(name in row for row in rows)]
    if any(isinstance(v, list) for v in values):
        form["items"] = form_of([item for v in values if isinstance(v, list) for item in v])
    return form


def kind_of(value: object) -> str:
    kinds = {bool: "boolean", int: "number", float: "number", str: "string", list: "array", dict: "object"}
    return kinds.get(type(value), "null")


def forms() -> dict[str, dict[str, Any]]:
    """The form of what each command prints."""
    found: dict[str, list[object]] = {}
    with tempfile.TemporaryDirectory() as place, in_folder(Path(place)) as folder:
        for command, said in answers(folder):
            found.setdefault(command, []).append(said)
    made = {}
    for command, said in sorted(found.items()):
        title = {
            "$schema": "https://json-schema.org/draft/2020-12/schema",
            "title": f"pipemetal {full(command)} --json",
        }
        made[command] = title | form_of(said)
    return made


@contextlib.contextmanager
def in_folder(place: Path) -> Iterator[Path]:
    """A prepared folder as the one that commands work in, with its own book."""
    before, env = Path.cwd(), dict(os.environ)
    shutil.rmtree(place / "shop", ignore_errors=True)
    prepared(place / "shop")
    os.chdir(place / "shop")
    os.environ |= {"PIPEMETAL_SHOP": "shop.sqlite", "PIPEMETAL_BY": "Ada"}
    try:
        yield place / "shop"
    finally:
        os.chdir(before)
        os.environ.clear()
        os.environ |= env


def full(command: str) -> str:
    """A command with its noun."""
    name = command.split()[0]
    nouns = [noun for noun, held in NOUNS.items() if name in held.verbs.values()]
    verb = next((v for noun in nouns for v, n in NOUNS[noun].verbs.items() if n == name), name)
    return " ".join([*nouns[:1], verb, *command.split()[1:]])


def file_name(command: str) -> str:
    return f"{command.replace(' ', '-')}.json"


def page(made: dict[str, dict[str, Any]]) -> str:
    """The page: each command, its schema, and what stands at the top of its answer."""
    lines = [
        "# What --json prints",
        "",
        "Written from the commands themselves (`make docs`). Every command prints one object; its keys carry their units.",
        "Each has a JSON Schema (draft 2020-12). A test runs every command in the invented shop and holds its answer against it.",
        "",
        "    pipemetal metal alloy Sn50Pb50 --json",
        "",
        "Keys may be added. What is taken away or changes its type stands in the changelog. An error prints `error` and, where",
        "they are known, `field`, `value`, `allowed`, `where`, `example` and `nearest`; its exit code is 2 or 3.",
        "",
        "| command | schema | keys |",
        "|---|---|---|",
    ]
    for command in sorted([*made, *SAME]):
        name = file_name(SAME.get(command, command))
        form = made[SAME.get(command, command)]
        keys = ", ".join(f"`{key}`" for key in form.get("properties", {}))
        lines.append(f"| `{full(command)}` | [{name}](schemas/{name}) | {keys or 'one for each thing'} |")
    return "\n".join(lines) + "\n"


def write() -> None:
    made = forms()
    FOLDER.mkdir(exist_ok=True)
    for old in FOLDER.glob("*.json"):
        old.unlink()
    for command, form in made.items():
        (FOLDER / file_name(command)).write_text(json.dumps(form, indent=1) + "\n", encoding="utf-8")
    PAGE.write_text(page(made), encoding="utf-8")
    print(f"Wrote {PAGE} and {len(made)} schemas; without: {sorted(commands() - set(made) - set(SAME))}")


if __name__ == "__main__":
    write()
