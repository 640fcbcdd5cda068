"""What `--json` prints keeps its form: every command is run in the invented shop and held against its schema in the documents."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

from jsonschema import Draft202012Validator

ROOT = Path(__file__).parents[2]


def _bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("json_forms", ROOT / "bench" / "json_forms.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


FORMS = _bench()
SCHEMAS = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in FORMS.FOLDER.glob("*.json")}


def closed(form: Any) -> Any:
    """The same form, but what it does not name may not stand there: so the documents name every key that is printed."""
    if isinstance(form, dict):
        found = {key: closed(value) for key, value in form.items()}
        return found | {"additionalProperties": False} if isinstance(form.get("properties"), dict) else found
    return [closed(item) for item in form] if isinstance(form, list) else form


def test_every_command_with_json_has_a_schema() -> None:
    names = {name.replace(" ", "-") for name in FORMS.commands() - set(FORMS.SAME)}
    assert set(SCHEMAS) == names, "run `make docs` and commit docs/schemas"
    for schema in SCHEMAS.values():
        Draft202012Validator.check_schema(schema)


def test_the_page_of_forms_is_not_stale() -> None:
    made = {name: SCHEMAS[name.replace(" ", "-")] for name in FORMS.commands() - set(FORMS.SAME)}
    assert FORMS.PAGE.read_text(encoding="utf-8") == FORMS.page(made), "run `make docs` and commit docs/json.md"


def test_what_every_command_prints_has_the_form_that_the_documents_name(tmp_path: Path) -> None:
    held = {name: Draft202012Validator(closed(schema)) for name, schema in SCHEMAS.items()}
    seen = set()
    with FORMS.in_folder(tmp_path) as folder:
        for command, said in FORMS.answers(folder):
            name = command.replace(" ", "-")
            seen.add(name)
            faults = [f"{'/'.join(map(str, e.absolute_path))}: {e.message[:200]}" for e in held[name].iter_errors(said)]
            assert faults == [], command
    assert seen == set(SCHEMAS)
