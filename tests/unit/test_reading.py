"""The documents at the first reading: short sentences, no words that a craftsman stumbles over, a picture or an example on each page."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipemetal.words import catalogue

ROOT = Path(__file__).parents[2]
WRITTEN_BY_PROGRAM = {"commands.md", "validation.md", "benchmarks.md", "quantities.md"}
PAGES = [p for p in sorted((ROOT / "docs").rglob("*.md")) if p.name not in WRITTEN_BY_PROGRAM] + [ROOT / "README.md"]
MOST_WORDS = 30
STUMBLES = (
    *("nought", "meanwhile", "stands apart", "goes not", "go not", "from memory", "could not be had"),
    *("verifier", "pour window", "pouring window", "composition window", "wider window"),
)
"""Words that a first reader stopped at, and second words for a thing that has one."""
SECOND_WORDS = re.compile(
    r"\b(verifiers?|checker|(?<!spectral )windows?|nought|meanwhile|stands apart|goes not|box without|in the box|from memory)\b",
    re.I,
)
"""Second words for a thing: pouring range, composition limits and fitting place are no windows, the sled is no box."""


def sentences(text: str) -> list[str]:
    """The sentences of a page's prose: no code, tables, headings or addresses."""
    kept = []
    for block in re.split(r"\n\s*\n", re.sub(r"```.*?```", "", text, flags=re.DOTALL)):
        lines = [line for line in block.splitlines() if not re.match(r"(    |\||#|!\[)", line)]
        kept.append(" ".join(re.sub(r"^\s*(?:[-*]|\d+\.)\s+", ". ", line) for line in lines))
    plain = re.sub(r"\]\([^)]*\)|`[^`]*`", "x", " . ".join(kept))
    return [s.strip() for s in re.split(r"(?<=[.!?;:])\s+", plain) if s.strip()]


def words(sentence: str) -> int:
    """How many words are read; the keys of files that a list names are looked up, not read."""
    return len(re.findall(r"[A-Za-zÄÖÜäöüß][\w'-]+", sentence))


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_no_sentence_is_longer_than_thirty_words(page: Path) -> None:
    long = [s for s in sentences(page.read_text(encoding="utf-8")) if words(s) > MOST_WORDS]
    assert not long, long[:3]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_no_word_that_a_reader_stops_at(page: Path) -> None:
    text = page.read_text(encoding="utf-8").lower()
    assert [word for word in STUMBLES if word in text] == []


def test_what_pages_papers_and_messages_say_has_no_second_word_for_a_thing() -> None:
    assert [text for text in catalogue("de") if SECOND_WORDS.search(text)] == []


def test_what_help_says_has_no_second_word_for_a_thing() -> None:
    page = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert [line for line in page.splitlines() if SECOND_WORDS.search(line)] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_page_has_a_picture_or_an_example(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    # the list of licences is written by the program
    assert page.name == "licences.md" or "![" in text or re.search(r"(?m)^ {4}\S|```", text), page.name


GERMAN = {
    "rack": "Regal",
    "heel": "Sumpf|Sümpf",
    "pig": "Barren",
    "ingot": "Block|Blöck",
    "cutting sheet": "Schnittpl",
    "dross": "Krätze",
    "remnant": "Reststück",
    "offcut": "Abschnitt",
    "sled": "[Ss]chlitten",
    "swarf": "Werkbankspäne",
    "shop book": "Werkstattbuch",
    "casting log": "Gießbuch",
    "run-up": "Anlauf",
    "kerf": "Schnittfuge",
    "assay": "Analyse",
    "cut-up": "Aufschn",
    "mandrel": "Dorn",
    "crew": "Gießer|gießt",
    "melt": "[Ss]chmelz|schmilz|schmolz",
    "languid": "Kern",
    "scrap": "Altmetall|verschrott",
}
"""The German word for each thing: one, whatever page or paper it stands on."""
GERMAN_STUMBLES = re.compile(
    r"\b(Schub(karte)?|Gussbuch|Mannschaft|Kasten|Mensch|Takt beginnen|Bestand|im Haus|Lager|Zuschnittblatt\w*|Einsatz"
    r"|Kelle hält|Kessel hält|Fühllehre|auswiegen|Eintreten|Barren eigene|eigene Barren|Normung)\b"
)
"""German words that stood beside the one that counts."""


@pytest.mark.parametrize("thing", GERMAN)
def test_one_thing_has_one_german_word(thing: str) -> None:
    held = {k: v for k, v in catalogue("de").items() if "planed" not in k}  # settings as they are typed
    said = {
        k: v
        for k, v in held.items()
        if re.search(rf"\b{thing}s?\b", re.sub(r"\{\w+\}|--\w+|`[^`]*`|\w+:ID", "", k), re.IGNORECASE)
    }
    assert said and {k: v for k, v in said.items() if not re.search(GERMAN[thing], v)} == {}
    glossary = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    row = re.search(rf"(?m)^\| {thing}\b[^|]*\| ([^|]*)\|", glossary)
    assert row is None or re.search(GERMAN[thing], row[1]), thing


def test_no_german_word_stands_beside_the_one_that_counts() -> None:
    assert [(k, v) for k, v in catalogue("de").items() if GERMAN_STUMBLES.search(v)] == []
