"""Plain WAV: PCM of 8 to 32 bits and floating point, also where the writer did not know how long it would be."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["Wav", "wav_of"]

PCM: Final = 1
FLOAT: Final = 3
EXTENSIBLE: Final = 0xFFFE
"""The kind stands in the first two bytes of what follows."""
MOST_CHANNELS: Final = 64


@dataclass(frozen=True)
class Wav:
    """Samples by channels, full scale 1; samples a second."""

    samples: NDArray[np.float64]
    rate_hz: float


def wav_of(content: bytes) -> Wav | None:
    """The sound of a WAV file; None for what is none, or is packed in another way.

    >>> head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 40, b"WAVE", b"fmt ", 16, 1, 1, 8000, 16000, 2, 16, b"data", 4)
    >>> wav_of(head + struct.pack("<hh", 16384, -32768)).samples[:, 0].tolist()
    [0.5, -1.0]
    """
    if len(content) < 12 or content[:4] not in (b"RIFF", b"RF64") or content[8:12] != b"WAVE":
        return None
    kind = channels = rate = bits = 0
    at = 12
    while at + 8 <= len(content):
        name, size = struct.unpack_from("<4sI", content, at)
        at += 8
        if name == b"fmt " and size >= 16 and at + 16 <= len(content):
            kind, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", content, at)
            if kind == EXTENSIBLE and size >= 26 and at + 26 <= len(content):
                (kind,) = struct.unpack_from("<H", content, at + 24)
        if name == b"data":
            if not 1 <= channels <= MOST_CHANNELS or rate == 0:
                return None
            samples = _samples(content[at : at + size], kind, bits)
            return None if samples is None else Wav(_by_channel(samples, channels), float(rate))
        at += size + size % 2
    return None


def _by_channel(samples: NDArray[np.float64], channels: int) -> NDArray[np.float64]:
    return samples[: len(samples) // channels * channels].reshape(-1, channels)


def _samples(data: bytes, kind: int, bits: int) -> NDArray[np.float64] | None:
    """All samples in their order; None for what is packed in another way."""
    width = bits // 8
    if bits % 8 or not 1 <= width <= 8:
        return None
    data = data[: len(data) // width * width]
    if kind == FLOAT and width in (4, 8):
        return np.frombuffer(data, dtype="<f4" if width == 4 else "<f8").astype(np.float64)
    if kind != PCM or width > 4:
        return None
    if width == 1:
        return (np.frombuffer(data, dtype=np.uint8).astype(np.float64) - 128.0) / 128.0
    full = np.zeros((len(data) // width, 4), dtype=np.uint8)
    full[:, 4 - width :] = np.frombuffer(data, dtype=np.uint8).reshape(-1, width)
    result: NDArray[np.float64] = full.reshape(-1).view("<i4").astype(np.float64) / 2.0**31
    return result
