"""Names of notes in the four ways that pipe makers write them, read and written.

| way | 16' C | 8' C | 4' C | middle C (2') | note under it |
|---|---|---|---|---|---|
| `trade` | C1 | C | c | c1 | b |
| `scientific` | C1 | C2 | C3 | C4 | B3 |
| `german` | ,C | C | c | c1, c' | h (b is the note under h) |
| `english` | CCC | CC | C | c1, c' | B |

The footages are those of the lowest key of an 8' rank's octaves. Sources: strokes and B/H as in Riemann's lexicon (from
memory); doubled capitals with C for the 4' C as in a semitone scale list of 1998, read; scientific names as in ISO 16 use.
"""

from __future__ import annotations

import re
from typing import Final

from pipemetal.errors import PipeError

__all__ = ["NAMINGS", "note_name", "parse_compass", "parse_note"]

NAMINGS: Final = ("trade", "scientific", "german", "english")

_SHARPS: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_GERMAN: Final = ("C", "Cis", "D", "Dis", "E", "F", "Fis", "G", "Gis", "A", "B", "H")
_LETTER_STEP: Final = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_GERMAN_STEP: Final = {**_LETTER_STEP, "b": 10, "h": 11}
_SIGN: Final = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_GERMAN_SIGN: Final = {"": 0, "#": 1, "♯": 1, "is": 1, "es": -1, "s": -1, "♭": -1}
_EXAMPLES: Final = {
    "trade": "C, F#, c, g#, c1, g3 or scientific C2, G6",
    "scientific": "C2 (the 8' C), F#3, Bb4, C4 (the middle one)",
    "german": "C, Fis, B, H, c, gis, c', c1, h2, ,C",
    "english": "CC (the 8' C), FF#, C, c1 (the middle one), g3",
}


def _octave_of_strokes(number: str | None, strokes: str, lower: bool) -> int | None:
    """Octave from great C = 0, from a number or strokes; None where the two cannot stand together."""
    count = len(strokes) if strokes else (int(number) if number is not None else 0)
    if (strokes and number) or (number is not None and count < 1 and lower):
        return None
    return 1 + count if lower else None if count else 0


def _trade(text: str) -> int | None:
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(-?\d)?(['′]*)", text)
    if match is None:
        return None
    letter, sign, number, strokes = match.groups()
    step = _LETTER_STEP[letter.lower()] + _SIGN[sign]
    if letter.isupper() and number is not None and not strokes:
        return step + 12 * (int(number) - 2)
    octave = _octave_of_strokes(number, strokes, letter.islower())
    return None if octave is None else step + 12 * octave


def _scientific(text: str) -> int | None:
    match = re.fullmatch(r"([A-Ga-g])([#♯b♭]?)(-?\d)", text)
    if match is None:
        return None
    return _LETTER_STEP[match[1].lower()] + _SIGN[match[2]] + 12 * (int(match[3]) - 2)


def _german(text: str) -> int | None:
    match = re.fullmatch(r"(,{0,2})([A-Ha-h])(is|es|s|[#♯♭])?(,{0,2})(\d)?(['′]*)", text)
    if match is None:
        return None
    before, letter, sign, after, number, strokes = match.groups()
    sign = sign or ""
    if (sign == "s" and letter.lower() not in "ea") or (sign == "es" and letter.lower() in "eab"):
        return None
    step = _GERMAN_STEP[letter.lower()] + _GERMAN_SIGN[sign]
    under = len(before) + len(after)
    if under:
        return step - 12 * under if letter.isupper() and not number and not strokes else None
    octave = _octave_of_strokes(number, strokes, letter.islower())
    return None if octave is None else step + 12 * octave


def _english(text: str) -> int | None:
    doubled = re.fullmatch(r"([A-G])(\1{0,3})([#♯b♭]?)", text)
    if doubled is not None:
        return _LETTER_STEP[doubled[1].lower()] + _SIGN[doubled[3]] + 12 * (1 - len(doubled[2]))
    match = re.fullmatch(r"([a-g])([#♯b♭]?)(?:([1-9])|(['′]+))", text)
    if match is None:
        return None
    count = int(match[3]) if match[3] else len(match[4])
    return _LETTER_STEP[match[1]] + _SIGN[match[2]] + 12 * (1 + count)


_READERS: Final = {"trade": _trade, "scientific": _scientific, "german": _german, "english": _english}


def _meant(text: str, naming: str) -> str:
    """The note that this probably is where a shop names its notes otherwise: H is B here, and B is Bb there."""
    for other, read in _READERS.items():
        if other != naming and (key := read(text)) is not None and -12 <= key <= 96:
            return note_name(key, naming)
    return ""


def parse_note(text: str, *, field: str = "note", naming: str = "trade") -> int:
    """The key that a note name means, counted from great C (the 8' C of an 8' rank) = 0.

    In the trade's way `C` `F#` `Bb` are the great octave, `c` `g#` the small one, `c1` `c2` `g3` (or `c'` `c''`) the ones
    above; scientific names (capital and number) are read too: `C2` is great C. In the German way `B` is the note under
    `H`; in the English way `CC` is great C and `C` the one above.

    Errors: PipeError for what is no note in this way, with examples of what is.

    >>> parse_note("C"), parse_note("c1"), parse_note("C4"), parse_note("g3")
    (0, 24, 24, 55)
    >>> parse_note("B", naming="german"), parse_note("H", naming="german"), parse_note("BB", naming="english")
    (10, 11, 11)
    """
    if naming not in NAMINGS:
        raise PipeError("is not known", field="note_names", value=naming, allowed=", ".join(NAMINGS))
    key = _READERS[naming](text.strip())
    if key is None:
        raise PipeError(
            "is not a note", field=field, value=text, example=_EXAMPLES[naming], nearest=_meant(text.strip(), naming)
        )
    return key


def note_name(key: int, naming: str = "trade") -> str:
    """The name of a key counted from great C = 0, as the trade stamps it on a pipe.

    >>> [note_name(key) for key in (0, 13, 24, 55)]
    ['C', 'c#', 'c1', 'g3']
    >>> [note_name(key, "german") for key in (10, 11, 13, -1)], [note_name(key, "english") for key in (0, 13, 24)]
    (['B', 'H', 'cis', ',H'], ['CC', 'C#', 'c1'])
    """
    octave, step = divmod(key, 12)
    if naming == "scientific":
        return f"{_SHARPS[step]}{octave + 2}"
    if naming == "english":
        if octave <= 1:
            letter, sign = _SHARPS[step][0], _SHARPS[step][1:]
            return letter * (2 - octave) + sign
        return f"{_SHARPS[step].lower()}{octave - 1}"
    name = (_GERMAN if naming == "german" else _SHARPS)[step]
    if octave >= 1:
        return name.lower() + (str(octave - 1) if octave > 1 else "")
    if naming == "german":
        return "," * -octave + name
    # under great C the trade's way borrows the scientific number: C1 is the C of a 16' rank
    return name if octave == 0 else f"{name}{octave + 2}"


def parse_compass(text: str, *, field: str = "compass", naming: str = "trade") -> tuple[int, int]:
    """First and last key of a compass such as `C-g3`; one note alone is both.

    Errors: PipeError where a note cannot be read or the last lies under the first.

    >>> parse_compass("C-g3"), parse_compass("c1")
    ((0, 55), (24, 24))
    """
    first, dash, last = text.replace("–", "-").partition("-")
    if not dash:
        last = first
    keys = parse_note(first, field=field, naming=naming), parse_note(last, field=field, naming=naming)
    if keys[1] < keys[0]:
        raise PipeError("ends before it begins", field=field, value=text, example=f"{last.strip()}-{first.strip()}")
    return keys
