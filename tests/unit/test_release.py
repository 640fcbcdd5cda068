"""What is released: licences and locked versions are those of the program, the files for machines say what they should."""

import importlib.util
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NEEDED = [
    re.split(r"[<>=\[]", line)[0]
    for line in tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
]


def test_every_library_is_locked_and_its_licence_listed() -> None:
    lock = (ROOT / "release" / "lock.txt").read_text(encoding="utf-8")
    page = (ROOT / "docs" / "licences.md").read_text(encoding="utf-8")
    for name in NEEDED:
        assert re.search(rf"(?m)^{re.escape(name)}==", lock), name
        row = re.search(rf"(?m)^\| {re.escape(name)} \| [^|]+ \| ([^|]+) \|$", page)
        assert row is not None and row[1].strip() not in ("", "see the package", "UNKNOWN"), name


def test_every_locked_file_has_its_hash() -> None:
    lock = (ROOT / "release" / "lock.txt").read_text(encoding="utf-8")
    for block in re.split(r"(?m)^(?=[a-z0-9])", lock)[1:]:
        assert "--hash=sha256:" in block, block.splitlines()[0]


def test_the_page_of_licences_names_what_is_locked() -> None:
    spec = importlib.util.spec_from_file_location("licences", ROOT / "bench" / "licences.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    names = re.findall(r"(?m)^\| ([a-z0-9-]+) \|", module.page())
    assert names == re.findall(r"(?m)^\| ([a-z0-9-]+) \|", (ROOT / "docs" / "licences.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("script", ["release/build", "release/check", "release/ways", ".ci/run"])
def test_scripts_can_be_read_by_their_shell(script: str) -> None:
    path = ROOT / script
    assert path.stat().st_mode & 0o111
    assert subprocess.run(["bash", "-n", path], check=False).returncode == 0


def test_the_container_writes_in_one_place_and_is_not_root() -> None:
    text = (ROOT / "deploy" / "Dockerfile").read_text(encoding="utf-8")
    compose = (ROOT / "deploy" / "compose.yaml").read_text(encoding="utf-8")
    assert re.search(r"(?m)^USER 10001$", text) and "HEALTHCHECK" in text and "read_only: true" in compose
    for name in ("PIPEMETAL_SHOP", "PIPEMETAL_BACKUPS", "PIPEMETAL_TLS", "NUMBA_CACHE_DIR"):
        assert f"{name}=/data/" in text
    assert "cap_drop: [ALL]" in compose and "no-new-privileges" in compose


def test_what_is_copied_into_the_container_is_there_and_not_ignored() -> None:
    text = (ROOT / "deploy" / "Dockerfile").read_text(encoding="utf-8")
    kept = {line[1:] for line in (ROOT / ".dockerignore").read_text(encoding="utf-8").splitlines() if line[:1] == "!"}
    copied = {word for line in re.findall(r"(?m)^COPY (?!--from)(.*)$", text) for word in line.split()[:-1]}
    assert copied == kept and all((ROOT / word).exists() for word in copied)


def test_the_versions_of_python_are_the_same_everywhere() -> None:
    data = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = [c.rpartition(" :: ")[2] for c in data["classifiers"] if re.search(r":: 3\.\d+$", c)]
    for workflow in ("checks", "release"):
        text = (ROOT / ".github" / "workflows" / f"{workflow}.yml").read_text(encoding="utf-8")
        quoted = ", ".join(f'"{v}"' for v in named)
        assert f"[{quoted}]" in text
    low, high = (tuple(map(int, v.split("."))) for v in re.findall(r"3\.\d+", data["requires-python"]))
    assert named[0] == ".".join(map(str, low)) and named[-1] == f"3.{high[1] - 1}"
