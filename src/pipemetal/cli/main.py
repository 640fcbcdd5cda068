"""The command `pipemetal`: commands are loaded when they are asked for, so that help is quick.

Exit codes: 0 done; 1 done, but something cannot be served and is named; 2 bad input; 3 a numerical method gave up.
"""

from __future__ import annotations

import importlib
import json
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NoReturn

import click

from pipemetal import __version__

__all__ = ["COMMANDS", "NOUNS", "SECTIONS", "main"]

COMMANDS: Final[dict[str, tuple[str, str]]] = {
    "demo": ("plan_cmd:demo", "Set up the invented shop in a folder and run the main job on it."),
    "plan": ("plan_cmd:plan", "From ranks, rack and lots to layouts, sheets to cast, melts and pours."),
    "variants": ("variants_cmd:variants", "What if the shop were a little different, side by side."),
    "pipes": ("pipes_cmd:pipes", "Every pipe of an organ: scale, mouth, lengths, walls, mass."),
    "blanks": ("blanks_cmd:blanks", "Every part as a flat blank, with patterns as DXF if wanted."),
    "card": ("card_cmd:card", "The bench card of a pipe or a rank: flat metal, mouth, mandrel, seams, mass."),
    "walls": ("card_cmd:walls", "Wall rules by name, and how far shops lie apart."),
    "reuse": ("reuse_cmd:reuse", "Old pipes: which to use again, shorten, lengthen or melt, and where."),
    "scale": ("scale_cmd:scale", "The scale behind measured pipes; scales as a picture."),
    "old-rank": ("old_rank_cmd:old_rank", "An old rank: what it was, what is missing, what to make for it."),
    "ear": ("ear_cmd:ear", "The pitch of finished pipes from recordings, and what to do about it."),
    "alloy": ("alloy_cmd:alloy", "Melting, freezing, density and heat of a composition."),
    "assay": ("assay_cmd:assay", "Tin content from a weighing, or the recipes nearest to an analysis."),
    "charge": ("melt_cmd:charge", "Weigh out a melt from lots."),
    "day": ("day_cmd:day", "Melts, weighing lists and pours for a list of sheets."),
    "dross": ("metal_cmd:dross", "The shop's own dross, from melts that were weighed in and out."),
    "scrap": ("metal_cmd:scrap", "What scrap is worth in use, and how an alloy drifts when it is remelted."),
    "buy": ("buy_cmd:buy", "What metal to order for plans, in whole pigs, and by when."),
    "cool": ("day_cmd:cool", "Bring ladled metal down: by waiting, or with cold pieces."),
    "push": ("casting_cmd:push", "The push card of a sheet: fill, gate, marks, pouring temperatures."),
    "freeze": ("casting_cmd:freeze", "How a sheet freezes, and the stone through a day of casts."),
    "calibrate": ("calibrate_cmd:calibrate", "Learn the shop's own coefficients from its casting log."),
    "layout": ("layout_cmd:layout", "Place blanks on rolls and on sheets to cast."),
    "layout-check": ("layout_cmd:layout_check", "The independent check of a plan."),
    "layout-waste": ("layout_cmd:layout_waste", "Where the metal of a plan goes that becomes no blank."),
    "rolls": ("shop_cmd:rolls", "The rack in the shop book: list, find, show ID, add FILE."),
    "lots": ("lots_cmd:lots", "The lots in the shop book: list, show ID, add FILE, enter ID."),
    "melts": ("melts_cmd:melts", "The melts in the shop book: list, show ID, enter ID."),
    "casts": ("melts_cmd:casts", "The casting log in the shop book: list, show ID, add FILE."),
    "anew": ("anew_cmd:anew", "A sheet was measured: the rest of the plan anew."),
    "accept": ("accept_cmd:accept", "Accept a plan into the shop book, or take it back."),
    "done": ("accept_cmd:done", "Book a roll or melt of an accepted plan as done."),
    "reserved": ("accept_cmd:reserved", "What accepted plans reserve, and the sheets to cast."),
    "trace": ("trace_cmd:trace", "From any pipe back to lots, invoices and analyses, and forward."),
    "history": ("ledger_cmd:history", "Who did what in the shop book, and when."),
    "undo": ("ledger_cmd:undo", "Undo an event of the shop book."),
    "weigh": ("ledger_cmd:weigh", "Book what the scale says of a lot, melt or roll."),
    "analysis": ("ledger_cmd:analysis", "Enter an analysis of a lot or melt."),
    "trim": ("ledger_cmd:trim", "Book what a cast sheet leaves beside its roll."),
    "sell": ("ledger_cmd:sell", "Book metal that leaves the shop for money."),
    "unexplained": ("ledger_cmd:unexplained", "Metal that nothing explains, by alloy and month."),
    "attach": ("trace_cmd:attach", "Photos and papers of rolls, lots, melts and casts."),
    "settings": ("settings_cmd:settings", "The shop's settings: in effect, kept in the book, written out."),
    "people": ("people_cmd:people", "Who works with the shop book, and in which role."),
    "dump": ("trace_cmd:dump", "The whole shop book as open files."),
    "load": ("trace_cmd:load", "Make a shop book from a dump."),
    "import": ("book_cmd:import_files", "Bring tables (CSV, XLSX) or a folder of them into the shop book."),
    "export": ("book_cmd:export_files", "Write the shop book's tables as CSV files or a workbook."),
    "label": ("paper_cmd:label", "Labels for rolls, remnants and lots, with QR code."),
    "paper": ("paper_cmd:paper", "Print a plan again: other paper, language or units."),
    "patterns": ("paper_cmd:patterns", "Full-size patterns of blanks: DXF, SVG, or PDF in tiles."),
    "new": ("people_cmd:new", "Make an empty shop book, and enter who runs the shop."),
    "backup": ("book_cmd:backup", "Write the shop book into one file."),
    "restore": ("book_cmd:restore", "Bring a shop book back from a backup."),
    "doctor": ("book_cmd:doctor", "Check the shop book and the installation."),
    "serve": ("serve_cmd:serve", "The shop's pages, on this machine or for the shop's tablets."),
}


@dataclass(frozen=True)
class Noun:
    """A thing of the shop with its verbs, each a command of `COMMANDS`; `usual` is run where no verb is given."""

    words: str
    verbs: dict[str, str]
    usual: str = ""


NOUNS: Final[dict[str, Noun]] = {
    "plan": Noun(
        "An organ's plan: make it, accept it, book it as done, plan anew.",
        {
            "make": "plan",
            "accept": "accept",
            "reserved": "reserved",
            "done": "done",
            "anew": "anew",
            "variants": "variants",
        },
        "make",
    ),
    "organ": Noun(
        "The pipes of an organ: measures, flat blanks, cards, scales, old pipes, the ear.",
        {
            "pipes": "pipes",
            "blanks": "blanks",
            "card": "card",
            "walls": "walls",
            "scale": "scale",
            "reuse": "reuse",
            "old-rank": "old-rank",
            "ear": "ear",
        },
    ),
    "metal": Noun(
        "Alloys, melts and buying.",
        {
            "alloy": "alloy",
            "assay": "assay",
            "charge": "charge",
            "day": "day",
            "cool": "cool",
            "dross": "dross",
            "scrap": "scrap",
            "buy": "buy",
        },
    ),
    "cast": Noun(
        "Casting a sheet: the push, the freezing, what the log teaches.",
        {"push": "push", "freeze": "freeze", "calibrate": "calibrate"},
    ),
    "layout": Noun(
        "Blanks placed on rolls and sheets, and the independent check.",
        {"place": "layout", "check": "layout-check", "waste": "layout-waste"},
        "place",
    ),
    "book": Noun(
        "The shop book: what happened, corrections, people, files in and out, backup.",
        {
            "new": "new",
            "trace": "trace",
            "history": "history",
            "undo": "undo",
            "weigh": "weigh",
            "analysis": "analysis",
            "trim": "trim",
            "sell": "sell",
            "unexplained": "unexplained",
            "attach": "attach",
            "people": "people",
            "settings": "settings",
            "import": "import",
            "export": "export",
            "dump": "dump",
            "load": "load",
            "backup": "backup",
            "restore": "restore",
            "doctor": "doctor",
        },
    ),
    "print": Noun(
        "Papers of a plan, labels, full-size patterns.",
        {"paper": "paper", "label": "label", "patterns": "patterns"},
    ),
}
SECTIONS: Final[dict[str, tuple[str, ...]]] = {
    "The work": ("demo", "plan", "organ", "metal", "cast", "layout"),
    "What is in the shop": ("rolls", "lots", "melts", "casts"),
    "The book, paper and pages": ("book", "print", "serve"),
}
"""What stands in the help, in its order."""


AS_JSON: Final = "pipemetal.as_json"
EXAMPLES: Final = {
    "DIR": "chapel",
    "[correct] CHARGE.toml": "charge.toml",
    "PLAN": '"Little Chapel #1"',
    "PLAN.json": "chapel/plan.json",
    "lot:ID|melt:ID|roll:ID": "lot:T1",
    "MASS": "12.5",
}
"""What may stand for an argument or a value; for others their own name, in small letters."""
THINGS: Final = {"rolls": ("--add", ""), "lots": ("--add", "--enter"), "melts": ("", "--enter"), "casts": ("--add", "")}
"""What is in the shop: by which option a file of them is added, and one entered."""


def _without_verb(words: list[str]) -> list[str]:
    """`rolls show R1`, `lots add new.csv` and `melts enter M1` as the options that they stand for.

    >>> _without_verb(["rolls", "show", "R1"]), _without_verb(["lots", "add", "new.csv"]), _without_verb(["plan", "make"])
    (['rolls', 'R1'], ['lots', '--add', 'new.csv'], ['plan', 'make'])
    """
    if len(words) < 2 or words[0] not in THINGS:
        return words
    add, enter = THINGS[words[0]]
    said: dict[str, list[str]] = {"list": [], "find": [], "show": []} | {
        v: [o] for v, o in (("add", add), ("enter", enter)) if o
    }
    if words[1] not in said and (meant := _verb_meant(words[1], list(said))):
        raise click.UsageError(f"No such verb {words[1]!r} of {words[0]}. Did you mean {meant!r}?")
    return [words[0], *said[words[1]], *words[2:]] if words[1] in said else words


def _verb_meant(word: str, verbs: list[str]) -> str:
    """The verb that was probably meant by a small word that is no file here; nothing where it is something else.

    >>> _verb_meant("accpet", ["make", "accept"]), _verb_meant("organ.toml", ["make"]), _verb_meant("R126", ["show"])
    ('accept', '', '')
    """
    from pipemetal.errors import near

    return near(word, verbs, 0.7) if word.isalpha() and word.islower() and not Path(word).exists() else ""


def _loaded(name: str) -> click.Command:
    """A command by its own name, its module imported now."""
    module, _, attribute = COMMANDS[name][0].partition(":")
    command: click.Command = getattr(importlib.import_module(f"pipemetal.cli.{module}"), attribute)
    return command


def _check_word(ctx: click.Context, args: list[str], known: list[str]) -> None:
    """Name the nearest word where the one that was typed is none of these."""
    from pipemetal.errors import near

    if args and args[0] not in known and (meant := near(args[0], known)):
        ctx.fail(f"No such command {args[0]!r}. Did you mean {meant!r}?")


class _NounGroup(click.Group):
    """The verbs of a noun; what begins with no verb goes to the usual one."""

    def __init__(self, name: str, noun: Noun) -> None:
        usual = f" Without a verb: {noun.usual}." if noun.usual else ""
        super().__init__(name, help=noun.words + usual, no_args_is_help=True)
        self.noun = noun
        # options before a verb are the usual verb's
        self.context_settings = {"ignore_unknown_options": bool(noun.usual), "allow_interspersed_args": False}

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.noun.verbs)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        return _loaded(self.noun.verbs[cmd_name]) if cmd_name in self.noun.verbs else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if self.noun.usual and args and args[0] not in self.noun.verbs:
            if meant := _verb_meant(args[0], list(self.noun.verbs)):
                ctx.fail(f"No such verb {args[0]!r} of {self.name}. Did you mean {meant!r}?")
            return self.noun.usual, self.get_command(ctx, self.noun.usual), args
        _check_word(ctx, args, list(self.noun.verbs))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl([(verb, COMMANDS[name][1]) for verb, name in self.noun.verbs.items()])


def _example(error: click.UsageError) -> str:
    """How a command is written that lacks something: its arguments and what it cannot do without.

    An argument or option in brackets may be left out, and is.
    """
    ctx = error.ctx
    if ctx is None or not isinstance(error, click.MissingParameter):
        return ""
    words = [ctx.command_path]
    for param in ctx.command.params:
        name = EXAMPLES.get(shown := param.make_metavar(ctx), shown.lower())
        if isinstance(param, click.Option) and param.required:
            words += [param.opts[0], name]
        elif isinstance(param, click.Argument) and param.required:
            words.append(name)
    return " ".join(words)


def _told_usage(error: click.UsageError, as_json: bool) -> click.UsageError:
    """Add an example to what is missing; under --json print the error as one object, as other errors are."""
    example = _example(error)
    if example and isinstance(error, click.MissingParameter) and not error.message:
        error = click.MissingParameter(
            f"For example: {example}", error.ctx, error.param, error.param_hint, error.param_type
        )
    if not as_json:
        return error
    param = getattr(error, "param", None)
    choices = param.type.choices if param is not None and isinstance(param.type, click.Choice) else ()
    field = param.opts[0] if param is not None else getattr(error, "option_name", "")
    parts = {
        "field": field,
        "allowed": ", ".join(map(str, choices)),
        "nearest": ", ".join(getattr(error, "possibilities", None) or ()),
        "example": example,
    }
    told = {"error": error.format_message()} | {name: held for name, held in parts.items() if held}
    click.echo(json.dumps(told, ensure_ascii=False))
    return error


class _LazyGroup(click.Group):
    """Nouns with their verbs, and every command by its own name too; a module is imported only when its command is run."""

    def make_context(
        self, info_name: str | None, args: list[str], parent: click.Context | None = None, **extra: Any
    ) -> click.Context:
        as_json = "--json" in args
        try:
            ctx = super().make_context(info_name, args, parent, **extra)
        except click.UsageError as error:
            raise _told_usage(error, as_json) from None
        ctx.meta[AS_JSON] = as_json
        return ctx

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            raise _told_usage(error, ctx.meta.get(AS_JSON, False)) from None

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [name for names in SECTIONS.values() for name in names]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name in NOUNS:
            return _NounGroup(cmd_name, NOUNS[cmd_name])
        return _loaded(cmd_name) if cmd_name in COMMANDS else None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        _check_word(ctx, args, [*NOUNS, *COMMANDS])
        return super().resolve_command(ctx, _without_verb(args))

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, names in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(n, NOUNS[n].words if n in NOUNS else COMMANDS[n][1]) for n in names])


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="pipemetal")
def cli() -> None:
    """A pipe shop's metal: from the list of ranks to pipes cut out of catalogued sheet, and back again.

    Every command prints a table for people, and one JSON object with --json. A verb works without its noun too: pipemetal
    charge is pipemetal metal charge.
    """


def _tell(error: Exception, args: list[str] | None, code: int) -> NoReturn:
    """One message and the exit code; under --json one object, so that a program can read it too."""
    click.echo(f"pipemetal: {error}", err=True)
    if "--json" in (sys.argv[1:] if args is None else args):
        names = ("field", "value", "allowed", "where", "example", "nearest")
        parts = {name: str(held) for name in names if (held := getattr(error, name, None))}
        click.echo(json.dumps({"error": str(error)} | parts, ensure_ascii=False))
    sys.exit(code)


def main(args: list[str] | None = None) -> Any:
    """Run the command line; errors that are the input's fault end with one message and exit code 2."""
    from pipemetal.errors import ConflictError, InputError, PipemetalError

    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        # small matrices only, for which threads cost more than they bring; numpy reads these when it is loaded
        os.environ.setdefault(name, "1")
    try:
        return cli.main(args=args, prog_name="pipemetal", standalone_mode=True)
    except (InputError, ConflictError) as error:
        _tell(error, args, 2)
    except PipemetalError as error:
        _tell(error, args, 3)
    except SystemExit as ended:
        # a reader that has seen enough (`| head`) is no failure
        if isinstance(ended.__context__, BrokenPipeError):
            sys.exit(0)
        raise
    except OSError as error:
        click.echo(f"pipemetal: {error.strerror or error}: {error.filename or ''}", err=True)
        sys.exit(2)
