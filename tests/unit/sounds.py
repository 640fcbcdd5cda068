"""Made-up tones whose truth is known: wind, room, hum, noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RATE = 48_000
OPEN = (1.0, 0.5, 0.3, 0.2, 0.1, 0.08, 0.05, 0.03)
STOPPED = (1.0, 0.02, 0.4, 0.01, 0.12, 0.01, 0.04)


@dataclass(frozen=True)
class Made:
    samples: NDArray[np.float64]
    hertz: float


@dataclass(frozen=True)
class Scene:
    """Wind as (cents, hertz), the room's T60, its sound by the direct one, noise and hum by the tone."""

    wind: tuple[tuple[float, float], ...] = ((2.0, 0.7), (1.0, 6.0))
    t60_s: float = 1.2
    room_db: float = 0.0
    noise_db: float = -20.0
    hum_db: float = -30.0


CALM = Scene((), 0.0, 0.0, -60.0, -90.0)


def steady(
    hertz: float, seconds: float = 2.0, partials: tuple[float, ...] = OPEN, rate: int = RATE
) -> NDArray[np.float64]:
    t = np.arange(round(seconds * rate)) / rate
    made = sum(
        a * np.sin(2 * np.pi * hertz * k * t + k * k) for k, a in enumerate(partials, 1) if k * hertz < 0.45 * rate
    )
    return 0.2 * np.asarray(made)


def made(hertz: float, seconds: float, seed: int, scene: Scene, partials: tuple[float, ...] = OPEN) -> Made:
    """A pipe that has sounded for a while; its truth is the mean frequency of the time that is given."""
    rng = np.random.default_rng(seed)
    lead = round(1.3 * RATE)
    count = round(seconds * RATE) + lead
    t = np.arange(count) / RATE
    cents = sum((a * np.sin(2 * np.pi * (f * t + rng.random())) for a, f in scene.wind), np.zeros(count))
    rate = hertz * 2.0 ** (cents / 1200.0)
    phase = 2 * np.pi * np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2)]) / RATE
    x = np.zeros(count)
    for k, a in enumerate(partials, 1):
        if k * hertz < 0.45 * RATE:
            x += a * np.cos(k * phase + 2 * np.pi * rng.random())
    if scene.t60_s:
        size = round(scene.t60_s * RATE)
        room = rng.standard_normal(size) * 10.0 ** (-3.0 * np.arange(size) / size)
        room *= 10.0 ** (scene.room_db / 20) / np.sqrt(np.sum(room**2))
        room[0] += 1.0
        padded = 1 << (count + size).bit_length()
        x = np.fft.irfft(np.fft.rfft(x, padded) * np.fft.rfft(room, padded), padded)[:count]
    x = x[lead:]
    level = float(np.sqrt(np.mean(x**2)))
    x = x + pink(len(x), rng) * level * 10.0 ** (scene.noise_db / 20)
    for k in (1, 2, 3):
        x += level * 10.0 ** (scene.hum_db / 20) / k * np.sin(2 * np.pi * 50 * k * t[: len(x)] + 6 * rng.random())
    true = (phase[-1] - phase[lead]) / (2 * np.pi) / ((count - 1 - lead) / RATE)
    return Made(0.2 * x / level, float(true))


def pink(count: int, rng: np.random.Generator) -> NDArray[np.float64]:
    spectrum = np.fft.rfft(rng.standard_normal(count))
    spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(count, 1 / RATE), 10.0))
    noise = np.fft.irfft(spectrum, count)
    return np.asarray(noise / np.std(noise))
