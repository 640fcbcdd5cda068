"""Write docs/commands.md from the commands themselves: `python bench/commands.py`, or `make docs`."""

from __future__ import annotations

from pathlib import Path

import click

from pipemetal.cli.main import SECTIONS, cli

PAGE = Path(__file__).parents[1] / "docs" / "commands.md"
HEAD = """# Commands

Written from the commands themselves (`make docs`); a test fails when the page is stale. Exit codes: 0 done; 1 done, but something
cannot be served and is named; 2 bad input; 3 a numerical method gave up.

A noun, then a verb: `pipemetal metal charge`. A verb works without its noun too: `pipemetal charge`. `plan` and `layout` alone
mean `plan make` and `layout place`. What is in the shop takes its verb as a word too: `rolls list`, `rolls show R101`,
`rolls add rack.csv`, `lots enter T9 --mass 250`; `--add` takes a file, `--enter` an id. `NO_COLOR=1` prints without colours;
tables are as wide as the terminal, or `COLUMNS`.

Your shell completes nouns, verbs and options after one line in its start file:

| shell | line |
|---|---|
| bash, in `~/.bashrc` | `eval "$(_PIPEMETAL_COMPLETE=bash_source pipemetal)"` |
| zsh, in `~/.zshrc` | `eval "$(_PIPEMETAL_COMPLETE=zsh_source pipemetal)"` |
| fish, in `~/.config/fish/completions/pipemetal.fish` | `_PIPEMETAL_COMPLETE=fish_source pipemetal \\| source` |
"""


def page() -> str:
    """Every command with its arguments and options."""
    lines = [HEAD]
    context = click.Context(cli, info_name="pipemetal")
    for title, names in SECTIONS.items():
        lines += [f"# {title}", ""]
        for name in names:
            command = cli.get_command(context, name)
            assert command is not None
            lines += section(command, name, context, "##")
    return "\n".join(lines)


def section(command: click.Command, name: str, parent: click.Context, mark: str) -> list[str]:
    """A command with its options, and below it the commands it holds."""
    inner = click.Context(command, info_name=name, parent=parent)
    title = inner.command_path.removeprefix("pipemetal ")
    usage = command.get_usage(inner).removeprefix("Usage: ")
    lines = [f"{mark} {title}", "", f"    {usage}", "", _plain(command.help or ""), ""]
    rows = [(parameter, parameter.get_help_record(inner)) for parameter in command.get_params(inner)]
    options = [record for _, record in rows if record is not None and "--help" not in record[0]]
    if options:
        lines += ["| option | |", "|---|---|"]
        lines += [f"| `{option.replace('|', '/')}` | {_plain(words)} |" for option, words in options]
        lines.append("")
    for held in command.list_commands(inner) if isinstance(command, click.Group) else ():
        under = command.get_command(inner, held)
        assert under is not None
        lines += section(under, held, inner, f"{mark}#")
    return lines


def _plain(text: str) -> str:
    return " ".join(text.replace("\b", "").split()).replace("|", "/")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"Wrote {PAGE}.")
