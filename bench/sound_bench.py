"""The ear on tones whose truth is known: error, coverage and time, beside librosa's YIN and pYIN where it is installed.

`python bench/sound_bench.py [TRIES]`. The tones are made as in tests/unit/sounds.py: wind of 2 cents at 0.7 Hz and 1 cent at
6 Hz, a room of T60 1.2 s as loud as the direct sound, pink noise 20 dB and hum 30 dB under the tone. The truth is the mean
frequency of the time that is given.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "unit"))
from sounds import OPEN, RATE, STOPPED, Made, Scene, made

from pipemetal.errors import SoundError
from pipemetal.sound.measure import cents_between, measure
from pipemetal.sound.recording import Recording

PITCHES = (65.41, 130.8, 261.6, 440.0, 1046.5, 2093.0, 4186.0)
SCENES = {
    "wind and room": Scene(),
    "far in the room (8 dB)": Scene(room_db=8.0),
    "dry": Scene(t60_s=0.0),
    "noise 6 dB, hum 10 dB": Scene(noise_db=-6.0, hum_db=-10.0),
    "tremulant 15 cents": Scene(wind=((15.0, 5.5),)),
}


KINDS = {
    "string, weak fundamental": (0.03, 0.5, 0.6, 0.5, 0.4, 0.3, 0.2, 0.2),
    "odd partials only": (1.0, 0.0, 0.33, 0.0, 0.2, 0.0, 0.14),
    "reed": tuple(1.0 / (1.0 + abs(k - 4) / 4.0) for k in range(18)),
}
"""Partials by number; which note it is was said, as on the page."""


def _framed(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Silence before and after, and an attack."""
    wide = round(0.08 * RATE)
    shape = np.ones(len(x))
    shape[:wide], shape[-wide:] = np.linspace(0.0, 1.0, wide), np.linspace(1.0, 0.0, wide)
    quiet = 1e-4 * np.random.default_rng(1).standard_normal(RATE)
    return np.concatenate([quiet, shape * x, quiet])


def _breath(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Wind noise above 1 kHz, 12 dB under the tone."""
    noise = np.fft.rfft(np.random.default_rng(2).standard_normal(len(x)))
    noise[: round(1000.0 * len(x) / RATE)] = 0.0
    blown = np.fft.irfft(noise, len(x))
    return x + 0.25 * np.std(x) / np.std(blown) * blown


FORMS: dict[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "as it is": lambda x: x,
    "level 0.01 in 16 bits": lambda x: np.round(0.01 / np.max(np.abs(x)) * x * 32767) / 32767,
    "lying beside nought": lambda x: 0.5 * x + 0.3,
    "breath 12 dB under it": _breath,
    "attack, silence around it": _framed,
}


def tones(seconds: float, scene: Scene, partials: tuple[float, ...], tries: int) -> list[Made]:
    """Tones at every pitch, each a little off."""
    return [
        made(pitch * 2 ** ((seed - tries / 2) / 60), seconds, 1000 * k + seed, scene, partials)
        for k, pitch in enumerate(PITCHES)
        for seed in range(tries)
    ]


def ours(
    name: str,
    seconds: float,
    held: list[Made],
    form: Callable[[NDArray[np.float64]], NDArray[np.float64]] | None = None,
    *,
    told: bool = False,
) -> None:
    """One line of what the ear does; `told` the note where so."""
    error, half, refused = [], [], 0
    for tone in held:
        try:
            samples = form(tone.samples) if form is not None else tone.samples
            found = measure(Recording(samples, RATE), tone.hertz if told else None)
        except SoundError:
            refused += 1
            continue
        error.append(cents_between(found.frequency_hz, tone.hertz))
        half.append(found.half_width_cents)
    e, h = np.array(error), np.array(half)
    print(
        f"- {name}, {seconds:g} s: {len(held)} tones, {refused} refused; bias {np.mean(e):+.3f} cents, rms "
        f"{np.sqrt(np.mean(e**2)):.3f}, worst {np.max(np.abs(e)):.2f}; interval +- {np.median(h):.2f} covers "
        f"{100 * np.mean(np.abs(e) <= h):.0f} %"
    )


def theirs(seconds: float, held: list[Made]) -> None:
    """The same tones by a general library."""
    try:
        import librosa
    except ImportError:
        print("- librosa is not installed: no peer was run")
        return

    def yin(x: NDArray[np.float64], low: float, high: float) -> float:
        return float(np.median(librosa.yin(x, fmin=low, fmax=high, sr=RATE, frame_length=4096)))

    def pyin(x: NDArray[np.float64], low: float, high: float) -> float:
        del low, high  # its steps between pitches need a wide range
        found = librosa.pyin(x, fmin=50.0, fmax=5000.0, sr=RATE, frame_length=4096)[0]
        return float(np.nanmedian(found))

    peers: tuple[tuple[str, Callable[[NDArray[np.float64], float, float], float]], ...] = (("YIN", yin), ("pYIN", pyin))
    for name, of in peers:  # YIN is told the pitch within a third
        found = [cents_between(of(x.samples, 0.8 * x.hertz, 1.25 * x.hertz), x.hertz) for x in held]
        e = np.array(found)
        print(
            f"- librosa {librosa.__version__} {name}, {seconds:g} s: {len(held)} tones; bias "
            f"{np.mean(e):+.2f} cents, rms {np.sqrt(np.mean(e**2)):.2f}, worst {np.max(np.abs(e)):.1f}"
        )


def main() -> None:
    """Print everything."""
    tries = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    for name, scene in SCENES.items():
        for seconds in (1.0, 5.0):
            ours(f"open pipe, {name}", seconds, tones(seconds, scene, OPEN, tries))
    for seconds in (1.0, 5.0):
        ours("stopped pipe, wind and room", seconds, tones(seconds, Scene(), STOPPED, tries))
    for kind, partials in KINDS.items():
        for name, form in FORMS.items():
            ours(f"{kind}, {name}", 2.0, tones(2.0, Scene(), partials, 2), form, told=True)
    theirs(1.0, tones(1.0, Scene(), OPEN, min(tries, 3)))
    for pitch in (65.41, 440.0, 4186.0):
        sound = Recording(made(pitch, 10.0, 1, Scene()).samples, RATE)
        measure(sound)
        start = time.process_time()
        measure(sound)
        print(f"- 10 s of audio at {pitch:.0f} Hz: {time.process_time() - start:.2f} s of the processor")


if __name__ == "__main__":
    main()
