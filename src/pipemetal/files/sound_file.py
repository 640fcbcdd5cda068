"""Recordings: WAV by ourselves, FLAC, MP3, Ogg and CAF by libsndfile where the extra `sound` is installed."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Final

import numpy as np

from pipemetal.errors import SoundError
from pipemetal.files.missing import no_such_file
from pipemetal.files.wav_file import Wav, wav_of
from pipemetal.sound.recording import Recording
from pipemetal.texts import Text

__all__ = ["read_recording", "recording_of"]

MOST_BYTES: Final = 1_000_000_000


def read_recording(path: Path) -> Recording:
    """The recording in a file; of several channels the loudest.

    Errors: SoundError for what cannot be read, with what would help.
    """
    if not path.is_file():
        raise no_such_file(path, SoundError)
    if path.stat().st_size > MOST_BYTES:
        raise SoundError("is too large", field="recording", value=path.name, allowed="up to 1 GB")
    return recording_of(path.read_bytes(), path.name)


def recording_of(content: bytes, name: str) -> Recording:
    """The recording that a file of this name holds. Errors: as `read_recording`."""
    found = wav_of(content) or _other(content, name)
    loudest = int(np.argmax(np.var(found.samples, axis=0))) if len(found.samples) else 0
    return Recording(np.ascontiguousarray(found.samples[:, loudest]), found.rate_hz)


def _other(content: bytes, name: str) -> Wav:
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise SoundError(
            "is no plain WAV, and nothing here reads others",
            field="recording",
            value=name,
            allowed="PCM WAV; or install pipemetal[sound] for FLAC, MP3, Ogg and CAF",
        ) from error
    try:
        samples, rate = soundfile.read(io.BytesIO(content), always_2d=True, dtype="float64")
    except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
        raise SoundError(
            "is no recording that can be read",
            field="recording",
            value=name,
            allowed=Text("WAV, FLAC, MP3, Ogg or CAF; not M4A"),
        ) from error
    return Wav(np.asarray(samples, dtype=np.float64), float(rate))
