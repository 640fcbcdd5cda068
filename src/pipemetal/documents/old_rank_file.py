"""The new pipes of an old rank as files that the main job takes: an organ file, and the table of the old pipes beside it."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import Final

from pipemetal.files.sheet_out import csv_of
from pipemetal.pipes.pipe import footage_text
from pipemetal.pipes.pitch import sounding_semitones
from pipemetal.pipes.notes import note_name
from pipemetal.restoration.make import Metal, ToMake
from pipemetal.restoration.record import FoundPipe

__all__ = ["OLD_PIPES", "old_rank_files"]

OLD_PIPES: Final = "old-pipes.csv"
LEVEL: Final = 0.02
"""A mouth, cut-up or foot that changes by less over an octave is one for the whole rank (common practice, no source)."""
WALL_PLACES: Final = 6
