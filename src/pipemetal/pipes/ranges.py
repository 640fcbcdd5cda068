"""Notes of a rank that are not pipes of the rank's own cast metal: bought sheet, wood, old pipes, borrowed notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pipemetal.errors import PipeError
from pipemetal.pipes.materials import BOUGHT_METALS
from pipemetal.pipes.old import OldPipe
from pipemetal.pipes.pitch import note_name
from pipemetal.pipes.walls import GivenWall, WallRule
from pipemetal.texts import Text

__all__ = ["MADE", "NEW_PARTS", "NoteRange"]

MADE: Final = ("cast", "sheet", "wood", "old", "borrowed", "silent")
"""Cast metal of another alloy or wall; flat sheet that is bought; wood; old pipes used again; another rank's pipe; none."""
NEW_PARTS: Final = ("body", "foot", "languid", "cap", "ears", "slide", "chimney", "lip", "lining")


@dataclass(frozen=True)
class NoteRange:
    """Keys of a rank, first and last among them, and how their pipes come about.

    - `cast`: pipes of another `alloy` or `wall`.
    - `sheet`: bodies and feet of flat sheet `sheet_mm` thick all over, bought as `alloy` or as zinc or copper; nothing of
      it is cast. Languids are of `languid_alloy`, of the rank's own metal where that is None.
    - `wood`: pipes of wood; they are listed, no metal is ordered.
    - `old`: pipes that exist, with their measured sizes; only `new_parts` are made anew, of the rank's metal.
    - `borrowed`: no pipe; the note sounds a pipe of the rank `lender` at the same pitch.
    - `silent`: no pipe and no sound, as in a short octave.
    """

    first_key: int
    last_key: int
    made: str
    alloy: str | None = None
    wall: WallRule | GivenWall | None = None
    sheet_mm: float | None = None
    languid_alloy: str | None = None
    lender: str | None = None
    old: tuple[OldPipe, ...] = ()
    new_parts: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.made not in MADE:
            raise PipeError("is not known", field="made", value=self.made, allowed=", ".join(MADE))
        if self.last_key < self.first_key:
            raise PipeError("ends before it begins", field="notes", value=self.words)
        needs = {"sheet": ("sheet_mm",), "borrowed": ("lender",), "old": ("old",)}.get(self.made, ())
        may = {"cast": ("alloy", "wall", "languid_alloy"), "sheet": ("alloy", "languid_alloy"), "old": ("new_parts",)}
        for name in ("alloy", "wall", "sheet_mm", "languid_alloy", "lender", "old", "new_parts"):
            given = getattr(self, name) not in (None, ())
            if name in needs and not given:
                raise PipeError("is missing", field=name, allowed=Text("needed where notes are {made}", made=self.made))
            if given and name not in (*needs, *may.get(self.made, ())):
                raise PipeError(Text("does not go with notes that are {made}", made=self.made), field=name)
        if self.sheet_mm is not None and not 0.2 <= self.sheet_mm <= 8.0:
            raise PipeError(
                "gives a wall that no pipe has", field="sheet_mm", value=self.sheet_mm, allowed="0.2 to 8 mm"
            )
        for part in self.new_parts:
            if part not in NEW_PARTS:
                raise PipeError("is not a part", field="new_parts", value=part, allowed=", ".join(NEW_PARTS))
        self._check_old()

    def _check_old(self) -> None:
        if self.made != "old":
            return
        have = [p.key for p in self.old if p.diameter_mm is not None]
        missing = [k for k in range(self.first_key, self.last_key + 1) if k not in have]
        if missing:
            raise PipeError(
                "has no measured diameter for "
                + ", ".join(note_name(k) for k in missing[:5])
                + (f" and {len(missing) - 5} more" if len(missing) > 5 else ""),
                field="measured",
                allowed="one row with a diameter for every note of the range",
            )
        doubled = sorted({k for k in have if have.count(k) > 1 and self.first_key <= k <= self.last_key})
        if doubled:
            raise PipeError(
                "has a note twice", field="measured", value=note_name(doubled[0]), allowed="one row for each"
            )

    @property
    def words(self) -> str:
        """First and last note."""
        return f"{note_name(self.first_key)}-{note_name(self.last_key)}"

    @property
    def bought_metal(self) -> bool:
        """Whether the metal is one that no recipe gives."""
        return self.alloy in BOUGHT_METALS

    def has_pipes(self) -> bool:
        """Whether its notes have pipes of their own."""
        return self.made not in ("borrowed", "silent")

    def old_pipe(self, key: int) -> OldPipe:
        """The old pipe of a key."""
        return next(p for p in self.old if p.key == key and p.diameter_mm is not None)
