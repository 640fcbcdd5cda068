"""Recordings: WAV by the standard library, FLAC, MP3, Ogg and CAF by libsndfile where the extra `sound` is installed."""

from __future__ import annotations

import wave
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipemetal.errors import SoundError
from pipemetal.files.missing import no_such_file
from pipemetal.sound.recording import Recording
from pipemetal.texts import Text

__all__ = ["read_recording"]

MOST_BYTES: Final = 1_000_000_000


def read_recording(path: Path) -> Recording:
    """The recording in a file; of several channels the loudest.

    Errors: SoundError for what cannot be read, with what would help.
    """
    if not path.is_file():
        raise no_such_file(path, SoundError)
    if path.stat().st_size > MOST_BYTES:
        raise SoundError("is too large", field="recording", value=path.name, allowed="up to 1 GB")
    found = _wav(path) or _other(path)
    samples, rate_hz = found
    loudest = int(np.argmax(np.var(samples, axis=0))) if len(samples) else 0
    return Recording(np.ascontiguousarray(samples[:, loudest]), rate_hz)


def _wav(path: Path) -> tuple[NDArray[np.float64], float] | None:
    """Samples by channels of a plain WAV; None for anything else."""
    try:
        with wave.open(str(path), "rb") as held:
            width, channels, rate = held.getsampwidth(), held.getnchannels(), held.getframerate()
            data = np.frombuffer(held.readframes(held.getnframes()), dtype=np.uint8)
    except (wave.Error, EOFError):
        return None
    data = data[: len(data) // (width * channels) * width * channels].reshape(-1, width)
    if width == 1:
        return (data.astype(np.float64).reshape(-1, channels) - 128.0) / 128.0, float(rate)
    full = np.zeros((len(data), 4), dtype=np.uint8)
    full[:, 4 - width :] = data
    whole = full.reshape(-1).view("<i4").astype(np.float64)
    return whole.reshape(-1, channels) / 2.0**31, float(rate)


def _other(path: Path) -> tuple[NDArray[np.float64], float]:
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise SoundError(
            "is no plain WAV, and nothing here reads others",
            field="recording",
            value=path.name,
            allowed="PCM WAV; or install pipemetal[sound] for FLAC, MP3, Ogg and CAF",
        ) from error
    try:
        samples, rate = soundfile.read(str(path), always_2d=True, dtype="float64")
    except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
        raise SoundError(
            "is no recording that can be read",
            field="recording",
            value=path.name,
            allowed=Text("WAV, FLAC, MP3, Ogg or CAF; not M4A"),
        ) from error
    return np.asarray(samples, dtype=np.float64), float(rate)
