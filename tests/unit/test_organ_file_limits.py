"""The limits that docs/organ-file.md gives are those of the program."""

import re
from pathlib import Path

import pytest

from pipemetal.errors import InputError
from pipemetal.files.organ_file import read_organ

DOCS = Path(__file__).parents[2] / "docs" / "organ-file.md"
KINDS = {
    "top": 'construction = "tapered"\n',
    "hole": 'construction = "half_covered"\n',
    "chimney": 'construction = "chimney"\n',
    "cap": 'construction = "stopped"\n',
    "resonator": 'construction = "resonator"\n',
}
BESIDE = {
    "lips.sheet_mm": 'made = "applied", ',
    "resonator": 'length = "half", tip_mm = 10, ',
    "resonator.boot": "length_mm = 240, diameter_mm = 60, ",
}
HEAD = '[organ]\nname = "O"\n[[rank]]\nname = "R"\ndivision = "I"\nfootage = "8\'"\ncompass = "C-c"\nalloy = "m"\n'


def documented() -> list[tuple[str, float, float]]:
    text = DOCS.read_text(encoding="utf-8").split("### Limits")[1].split("###")[0]
    return [
        (key, float(low), float(high)) for key, low, high in re.findall(r"`([\w.]+)` \| ([\d.]+) \| ([\d.]+)", text)
    ]


def test_the_table_is_read() -> None:
    assert len(documented()) >= 40


def organ_with(key: str, value: float) -> str:
    *tables, last = key.split(".")
    inner = f"{last} = {value:g}"
    for depth in range(len(tables), 0, -1):
        path = ".".join(tables[:depth])
        beside = BESIDE.get(f"{path}.{last}", BESIDE.get(path, "")) if depth == len(tables) else BESIDE.get(path, "")
        kept = ", ".join(part for part in beside.rstrip(", ").split(", ") if part and not part.startswith(f"{last} ="))
        inner = f"{tables[depth - 1]} = {{ {kept + ', ' if kept else ''}{inner} }}"
    scale = "scale = { half_tones = 0 }\n"
    return HEAD + KINDS.get(key.split(".")[0], "") + scale + inner + "\n"


@pytest.mark.parametrize(("key", "low", "high"), documented())
def test_a_limit_is_as_documented(tmp_path: Path, key: str, low: float, high: float) -> None:
    path = tmp_path / "organ.toml"
    step = 1.0 if key.endswith("sections") else 0.01 * high
    for value in (low - step, high + step):
        path.write_text(organ_with(key, round(value, 4)), encoding="utf-8")
        with pytest.raises(InputError) as error:
            read_organ(path, None)
        assert re.search(rf"\b{low:g}\b.* to {high:g}\b", str(error.value)), str(error.value)
