"""Every text of the pages stands in the catalogue of every language, and no template says anything past it."""

import ast
import re
from pathlib import Path

import jinja2
import jinja2.nodes
import pytest

from pipemetal.documents.plan_paper import PAPERS
from pipemetal.documents.trace_page import trace_facts
from pipemetal.pipes.rank import CONSTRUCTIONS
from pipemetal.planning.settings import rests_on
from pipemetal.shop.roles import ACTIONS, ROLES
from pipemetal.shop.rows import PlanState, RollState
from pipemetal.web import jobs
from pipemetal.web.hearing import REFUSED, WAYS
from pipemetal.web.setting_groups import GROUPS
from pipemetal.web.site import ASIDE, DONE, VIEWS, WORK
from pipemetal.words import LANGUAGES, Words, catalogue

WEB = Path(__file__).parents[2] / "src" / "pipemetal" / "web"
TEMPLATES = sorted((WEB / "templates").glob("*.html"))
NO_WORDS = {"SHA", "Hz", "dB", "kg", "mm", "kW", "ms", "PIN", "PDF", "s", "xlsx", "csv", "pipemetal"}
"""Units and names that are the same in every language."""


def texts_of_templates() -> list[str]:
    found = []
    for path in TEMPLATES:
        page = jinja2.Environment(extensions=["jinja2.ext.do"]).parse(path.read_text(encoding="utf-8"))
        for call in page.find_all(jinja2.nodes.Call):
            said = call.args[0] if call.args and getattr(call.node, "name", "") == "say" else None
            if isinstance(said, jinja2.nodes.Const):
                found.append(said.value)
    return found


def texts_of_modules() -> list[str]:
    found = []
    for path in WEB.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute | ast.Name):
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
            place = {"say": 0, "page": 2, "told": 1}.get(name)
            said = node.args[place] if place is not None and len(node.args) > place else None
            if isinstance(said, ast.Constant) and isinstance(said.value, str):
                found.append(said.value)
    return found


@pytest.mark.parametrize("language", [x for x in LANGUAGES if x != "en"])
def test_no_text_of_the_pages_is_missing(language: str) -> None:
    held = catalogue(language)
    constructions = [name.replace("_", " ") for name in CONSTRUCTIONS]
    made = [
        *constructions,
        *ACTIONS,
        *ROLES,
        *(name for _, name in (*WORK, *ASIDE, *(v for views in VIEWS.values() for v in views))),
        *DONE.values(),
        *PAPERS,
        *RollState,
        *PlanState,
        *jobs.JobState,
        *(words for way in WAYS for words in (way.title, way.hint)),
        *(words for told in REFUSED.values() for words in told),
    ]
    labels = [text for group in GROUPS for text in (group.title, *(s.label for s in group.settings))]
    labels += {words for group in GROUPS for s in group.settings if (words := rests_on(s.key))}
    texts = [*texts_of_templates(), *texts_of_modules(), *made, *labels]
    assert len(texts) > 400
    assert sorted({text for text in texts if text not in held}) == []


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.name)
def test_a_template_says_nothing_past_the_catalogue(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", " ", text, flags=re.DOTALL)
    for attribute in re.findall(r'(?:aria-label|placeholder|title|alt)="([^"]*)"', text):
        assert not re.search(r"[A-Za-z]{3,} [a-z]", attribute), attribute
    bare = re.sub(r"<[^>]*>", " ", text)
    words = set(re.findall(r"[A-Za-z]{2,}", re.sub(r"&\w+;", " ", bare)))
    assert words - NO_WORDS == set()


@pytest.mark.parametrize("language", [x for x in LANGUAGES if x != "en"])
def test_places_for_values_are_the_same_in_both(language: str) -> None:
    for text, said in catalogue(language).items():
        assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", said)), text


def test_no_unit_stands_behind_the_word_in() -> None:
    """Of a person who measures in inches it would read "in in"."""
    texts = [text for pair in catalogue("de").items() for text in pair]
    assert [text for text in texts if re.search(r"\bin \{(unit|wall)\}", text)] == []


def test_a_remark_is_no_tone_and_a_kind_is_a_word() -> None:
    told = trace_facts({"kind": "pig", "note": "from the old roof"}, say=Words("de"))
    assert told.endswith("Barren; Bemerkung from the old roof")
