"""`pipemetal book settings`, and the settings of commands that take a book."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from pipemetal.cli.common import settings_for
from pipemetal.cli.main import cli
from pipemetal.errors import BookError, InputError
from pipemetal.shop.book import Book


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A book with shop.toml beside it, in a folder of its own; the organ lies elsewhere with another shop.toml."""
    for folder, kg in (("books", 300), ("organs", 200)):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "shop.toml").write_text(f"[pot]\ncapacity_kg = {kg}\n")
    target = str(tmp_path / "books" / "shop.sqlite")
    monkeypatch.setenv("PIPEMETAL_SHOP", target)
    monkeypatch.chdir(tmp_path)
    with Book.open(target, create=True, who="Ada"):
        pass
    (tmp_path / "own.toml").write_text("[pot]\ncapacity_kg = 500\n[shop]\npaper = 'letter'\n")
    return target


def told(*args: str) -> Any:
    result = CliRunner().invoke(cli, [*args, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_settings_are_shown_kept_and_forgotten(shop: str, tmp_path: Path) -> None:
    assert told("settings", "show")["origin"] == "shop.toml beside the book"
    kept = told("settings", "keep", "own.toml")
    assert kept["values"] == {"shop.paper": "letter", "pot.capacity_kg": 500.0}
    shown = told("settings", "show")
    assert (shown["origin"], shown["values"]["pot.capacity_kg"]["value"]) == ("the book", 500.0)
    assert shown["values"]["pot.heel_kg"]["origin"] == "the program's own"
    text = CliRunner().invoke(cli, ["settings", "show"]).stdout
    (tmp_path / "out.toml").write_text(text)
    assert told("settings", "keep", "out.toml")["values"] == kept["values"]
    told("settings", "forget")
    assert told("settings", "show")["source"] == "shop.toml beside the book"
    with pytest.raises(BookError, match="not in the book"):
        CliRunner().invoke(cli, ["settings", "forget"], catch_exceptions=False)


def test_a_file_that_is_wrong_is_not_kept(shop: str, tmp_path: Path) -> None:
    (tmp_path / "bad.toml").write_text("[pot]\ncapacity_kg = 1\n")
    with pytest.raises(InputError, match="capacity_kg is out of range"):
        CliRunner().invoke(cli, ["settings", "keep", "bad.toml"], catch_exceptions=False)
    assert told("settings", "show")["version"] == 0


def test_one_rule_holds_for_commands_with_a_book_and_the_organs_folder_counts_without_one(
    shop: str, tmp_path: Path
) -> None:
    organ = tmp_path / "organs" / "organ.toml"
    assert settings_for(None, None, organ).pot.capacity_kg == 200.0
    assert settings_for(None, shop, organ).pot.capacity_kg == 300.0
    told("settings", "keep", "own.toml")
    assert settings_for(None, shop, organ).pot.capacity_kg == 500.0
    assert settings_for(None, shop, organ).source == "the book, version 1"
    assert settings_for(tmp_path / "organs" / "shop.toml", shop, organ).source == "shop.toml, given"
