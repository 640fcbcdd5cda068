"""What to do with a pipe that was measured: how far it is off, and how much to take off or to add, a safe part first."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from pipemetal.errors import SoundError
from pipemetal.pipes.air import speed_of_sound_m_s
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.pitch import Pitch
from pipemetal.pipes.rank import Rank
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.sound.measure import Measured, cents_between
from pipemetal.texts import Amount, Text

__all__ = ["Action", "Advice", "Air", "advise", "wanted_hz"]

Action = Literal["leave", "cut", "add", "slide-down", "slide-up", "slot-down", "slot-up", "cap-in", "cap-out"]

FIRST_SHARE: Final = 0.6
"""Of what surely is too long, no more than this is taken off before the pipe is heard again (common practice, no source)."""


@dataclass(frozen=True)
class Air:
    """The air in which a pipe was heard, and how far its temperature may be off (95 %)."""

    temperature_c: float
    plus_minus_k: float = 0.2


@dataclass(frozen=True)
class Advice:
    """What to do.

    Parameters
    ----------
    wanted_hz : what the pipe should sound in this air
    cents : how far it is above (under: negative)
    half_width_cents : 95 % interval: the measurement, the wind, the temperature
    shorten_mm : how much shorter its air column must be; negative where it is too short already
    half_width_mm : 95 % interval of that
    first_mm : the part to begin with; 0 where it is within what was measured
    action : how this construction is tuned that way
    told : the same as a sentence
    now_cents, now_mm : how far it is above its own frequency in the air of now, and how much shorter its air column must be to
        sound that; the others are for the organ's tuning temperature
    """

    wanted_hz: float
    cents: float
    half_width_cents: float
    shorten_mm: float
    half_width_mm: float
    first_mm: float
    action: Action
    told: Text
    now_cents: float
    now_mm: float


def wanted_hz(pipe: Pipe, pitch: Pitch, air: Air) -> float:
    """What a pipe should sound in the air of the moment, so that it is right when the organ is at its tuning temperature."""
    now = speed_of_sound_m_s(air.temperature_c, pitch.humidity_percent, pitch.pressure_pa, standard=pitch.standard)
    return pipe.frequency_hz * now / pitch.speed_m_s


def _action(rank: Rank, shorten_mm: float) -> Action:
    if rank.is_closed and rank.tuning != "none":
        return "cap-in" if shorten_mm > 0.0 else "cap-out"
    if rank.tuning == "slide":
        return "slide-down" if shorten_mm > 0.0 else "slide-up"
    if rank.tuning == "slot":
        return "slot-down" if shorten_mm > 0.0 else "slot-up"
    return "cut" if shorten_mm > 0.0 else "add"


def _told(action: Action, first_mm: float, whole_mm: float) -> Text:
    first, whole = Amount(first_mm, "mm", 2), Amount(whole_mm, "mm", 2)
    match action:
        case "cut":
            return Text("take {first} off the top, then hear it again; {whole} in all", first=first, whole=whole)
        case "add":
            return Text("it is {whole} too short: cone it in, or solder on", whole=whole)
        case "slide-down":
            return Text("push the slide down by {first}, then hear it again; {whole} in all", first=first, whole=whole)
        case "slide-up":
            return Text("draw the slide up by {first}, then hear it again; {whole} in all", first=first, whole=whole)
        case "slot-down":
            return Text("open the slot by what makes {first} of length; {whole} in all", first=first, whole=whole)
        case "slot-up":
            return Text("close the slot by what makes {first} of length; {whole} in all", first=first, whole=whole)
        case "cap-in":
            return Text("press the cap in by {first}, then hear it again; {whole} in all", first=first, whole=whole)
        case "cap-out":
            return Text("draw the cap out by {first}, then hear it again; {whole} in all", first=first, whole=whole)
        case _:
            return Text("leave it: it is right within what was measured")


def advise(rank: Rank, pipe: Pipe, pitch: Pitch, heard: Measured, air: Air, *, factor: float = 1.0) -> Advice:
    """What to do with a pipe of a rank that was heard in some air.

    The change of length is that of the rank's own length rule between the pitch heard and the pitch wanted; what the rule misses
    at the mouth is nearly the same for both and falls out. `factor` is that of a reference (`reference_correction`).

    Errors: SoundError for a pipe without a length rule (reeds), or air outside 0 to 40 C.
    """
    if rank.construction == "resonator":
        raise SoundError("is tuned at its tongue", field="rank", value=rank.name, allowed="a flue pipe")
    if not 0.0 <= air.temperature_c <= 40.0:
        raise SoundError("is out of range", field="air_temperature_c", value=air.temperature_c, limits=(0.0, 40.0, "C"))
    speed = speed_of_sound_m_s(air.temperature_c, pitch.humidity_percent, pitch.pressure_pa, standard=pitch.standard)
    wanted, sounded = wanted_hz(pipe, pitch, air), heard.frequency_hz * factor
    cents = cents_between(sounded, wanted)
    warmer = Air(min(air.temperature_c + air.plus_minus_k, 40.0))
    by_air = cents_between(wanted_hz(pipe, pitch, warmer), wanted)
    half = math.hypot(heard.pipe_half_width_cents, by_air)

    def length_mm(hz: float) -> float:
        mean_cut_up = pipe.cut_up_mm - rank.arch * pipe.mouth_width_mm / 3.0
        size = (speed, pipe.diameter_mm, pipe.mouth_width_mm, mean_cut_up, pipe.thickness_mouth_mm)
        return sounding_length_mm(rank, hz, *size)

    shorten = length_mm(sounded) - length_mm(wanted)
    half_mm = abs(length_mm(wanted) - length_mm(wanted * 2.0 ** (half / 1200.0)))
    sure = max(abs(shorten) - half_mm, 0.0)
    first = FIRST_SHARE * sure if abs(cents) > half else 0.0
    action: Action = _action(rank, shorten) if first > 0.0 else "leave"
    told = _told(action, first, abs(shorten))
    now = length_mm(sounded) - length_mm(pipe.frequency_hz)
    now_cents = cents_between(sounded, pipe.frequency_hz)
    return Advice(wanted, cents, half, shorten, half_mm, first, action, told, now_cents, now)
