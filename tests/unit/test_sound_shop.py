"""From recordings to what is done: files, advice, ranks, beats, and the commands."""

import json
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from sounds import CALM, OPEN, RATE, STOPPED, Scene, made, steady

from pipemetal.cli.main import cli, main
from pipemetal.demo_shop import __file__ as demo
from pipemetal.errors import SoundError
from pipemetal.files.organ_file import read_organ
from pipemetal.files.sound_file import read_recording
from pipemetal.pipes.make import organ_pipes
from pipemetal.pipes.pipe import Pipe
from pipemetal.pipes.rank import Organ, Rank
from pipemetal.pipes.sounding import sounding_length_mm
from pipemetal.sound.advice import Air, advise, wanted_hz
from pipemetal.sound.beats import beats
from pipemetal.sound.measure import Measured, cents_between, measure
from pipemetal.sound.rank import hear_rank
from pipemetal.sound.recording import Recording

ORGAN_FILE = Path(demo).parent / "organ.toml"
ORGAN = read_organ(ORGAN_FILE)


def pipes_of(rank: str) -> dict[int, Pipe]:
    return {p.key: p for p in organ_pipes(ORGAN, lambda _: 9.0) if p.rank == rank and p.choir == 1}


def rank_with(**wanted: object) -> Rank:
    return next(r for r in ORGAN.ranks if all(getattr(r, k) == v for k, v in wanted.items()))


def written(path: Path, samples: np.ndarray, width: int = 2, channels: int = 1) -> Path:
    full = {1: 127, 2: 2**15 - 1, 3: 2**23 - 1, 4: 2**31 - 1}[width]
    whole = np.round(samples * full).astype(np.int64)
    data = (whole + 128).astype(np.uint8).tobytes() if width == 1 else b""
    if width > 1:
        data = whole.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :width].tobytes()
    with wave.open(str(path), "wb") as held:
        held.setnchannels(channels)
        held.setsampwidth(width)
        held.setframerate(RATE)
        held.writeframes(data)
    return path


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_a_wav_of_any_width_is_read(tmp_path: Path, width: int) -> None:
    tone = steady(440.0, 1.0)
    read = read_recording(written(tmp_path / "a.wav", tone, width))
    assert read.rate_hz == RATE
    assert np.max(np.abs(read.samples - tone)) < 2.0 / 2 ** (8 * width - 1)


def test_of_two_channels_the_louder_is_taken(tmp_path: Path) -> None:
    tone = steady(440.0, 1.0)
    both = np.stack([0.1 * tone, tone], axis=1).reshape(-1)
    assert np.max(np.abs(read_recording(written(tmp_path / "a.wav", both, channels=2)).samples - tone)) < 1e-4


@pytest.mark.parametrize("kind", ["<f4", "<f8"])
@pytest.mark.parametrize("size", [None, 0xFFFFFFFF], ids=["sized", "streamed"])
def test_a_wav_of_floats_is_read_also_where_its_writer_did_not_know_its_length(
    tmp_path: Path, kind: str, size: int | None
) -> None:
    tone = steady(440.0, 1.0)
    data, width = tone.astype(kind).tobytes(), int(kind[-1])
    head = (3, 1, RATE, RATE * width, width, 8 * width, 22, 8 * width, 4, 3)
    form = struct.pack("<HHIIHHHHIH14x", 0xFFFE, *head[1:])
    chunks = struct.pack("<4sI", b"LIST", 3) + b"abc\0" + struct.pack("<4sI", b"fmt ", len(form)) + form
    chunks += struct.pack("<4sI", b"data", len(data) if size is None else size) + data
    (tmp_path / "a.wav").write_bytes(struct.pack("<4sI4s", b"RIFF", 4 + len(chunks), b"WAVE") + chunks)
    read = read_recording(tmp_path / "a.wav")
    assert read.rate_hz == RATE
    assert np.max(np.abs(read.samples - tone)) < 1e-6


@pytest.mark.parametrize("ending", ["flac", "mp3", "ogg", "wav"])
def test_other_formats_are_read_where_the_library_is(tmp_path: Path, ending: str) -> None:
    soundfile = pytest.importorskip("soundfile")
    tone = made(261.9, 3.0, 1, CALM)
    soundfile.write(tmp_path / f"a.{ending}", tone.samples, RATE, **({"subtype": "FLOAT"} if ending == "wav" else {}))
    found = measure(read_recording(tmp_path / f"a.{ending}"))
    assert abs(cents_between(found.frequency_hz, tone.hertz)) < 0.02


@pytest.mark.parametrize("content", [b"", b"RIFF\0\0\0\0WAVE", b"no sound at all"])
def test_what_is_no_recording_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(SoundError):
        read_recording(tmp_path / "a.wav")
    with pytest.raises(SoundError):
        read_recording(tmp_path / "none.wav")


def as_heard(hertz: float) -> Measured:
    return Measured(hertz, 0.02, 0.05, 5.0, 0.1, 0.1, (), -50.0)


@pytest.mark.parametrize("tuning", ["cone", "slide", "slot", "cap"])
@pytest.mark.parametrize("off_cents", [-8.0, 8.0])
def test_after_the_whole_correction_the_length_rule_gives_the_pitch_wanted(tuning: str, off_cents: float) -> None:
    held = [r for r in ORGAN.ranks if r.tuning == tuning and r.construction != "resonator"]
    if not held:
        pytest.skip("no such rank in the demo")
    rank = held[0]
    pipe = list(pipes_of(rank.name).values())[12]
    air = Air(ORGAN.pitch.tuning_c, 0.1)
    heard = pipe.frequency_hz * 2 ** (off_cents / 1200)
    told = advise(rank, pipe, ORGAN.pitch, as_heard(heard), air)
    assert told.cents == pytest.approx(off_cents)
    assert (told.shorten_mm > 0) == (off_cents < 0)
    assert 0.0 < told.first_mm < 0.61 * abs(told.shorten_mm)

    def length(hz: float) -> float:
        mean = pipe.cut_up_mm - rank.arch * pipe.mouth_width_mm / 3
        size = (pipe.diameter_mm, pipe.mouth_width_mm, mean, pipe.thickness_mouth_mm)
        return sounding_length_mm(rank, hz, ORGAN.pitch.speed_m_s, *size)

    assert length(heard) - told.shorten_mm == pytest.approx(length(pipe.frequency_hz), abs=1e-6)


def test_in_colder_air_a_pipe_that_is_right_is_flat_and_left() -> None:
    rank = rank_with(tuning="cone", construction="open")
    pipe = pipes_of(rank.name)[24]
    air = Air(ORGAN.pitch.tuning_c - 2.0)
    cold = wanted_hz(pipe, ORGAN.pitch, air)
    assert cents_between(cold, pipe.frequency_hz) == pytest.approx(-6.0, abs=0.4)
    told = advise(rank, pipe, ORGAN.pitch, as_heard(cold), air)
    assert (told.action, told.first_mm) == ("leave", 0.0)


def test_the_interval_counts_the_air() -> None:
    rank = rank_with(tuning="cone", construction="open")
    pipe = pipes_of(rank.name)[24]
    sure = advise(rank, pipe, ORGAN.pitch, as_heard(pipe.frequency_hz), Air(18.0, 0.0))
    unsure = advise(rank, pipe, ORGAN.pitch, as_heard(pipe.frequency_hz), Air(18.0, 1.0))
    assert sure.half_width_cents == pytest.approx(0.05)
    assert unsure.half_width_cents == pytest.approx(3.0, abs=0.2)


def test_a_reed_is_not_told_to_be_cut() -> None:
    rank = Rank.__new__(Rank)
    object.__setattr__(rank, "construction", "resonator")
    object.__setattr__(rank, "name", "R")
    pipe = next(iter(pipes_of(rank_with(construction="open").name).values()))
    with pytest.raises(SoundError):
        advise(rank, pipe, ORGAN.pitch, as_heard(440.0), Air(18.0))


def a_rank(organ: Organ, keys: range, off: dict[int, float], odd: int) -> tuple[Recording, dict[int, float]]:
    wanted = {k: organ.pitch.a_at_tuning_hz * 2 ** ((k - 33) / 12) for k in range(56)}
    rng = np.random.default_rng(4)
    pieces = [np.zeros(RATE // 2)]
    for k in keys:
        partials = (1.0, 0.5, 0.02, 0.2, 0.1) if k == odd else (1.0, 0.5, 0.3, 0.2, 0.1)
        cents = 0.02 * (k - 20) + rng.normal(0, 0.5) + off.get(k, 0.0)
        pieces += [made(wanted[k] * 2 ** (cents / 1200), 1.6, k, CALM, partials).samples, np.zeros(RATE // 2)]
    sound = np.concatenate(pieces)
    return Recording(sound + 1e-4 * rng.standard_normal(len(sound)), RATE), wanted


def test_a_rank_in_one_recording_is_found_apart_named_and_its_odd_pipes_told() -> None:
    recording, wanted = a_rank(ORGAN, range(12, 36), {20: 9.0}, odd=30)
    heard = hear_rank(recording, wanted)
    assert [p.key for p in heard.pipes] == list(range(12, 36))
    assert [p.key for p in heard.pipes if p.stands_out] == [20]
    assert [(p.key, [n for n, _ in p.odd_partials]) for p in heard.pipes if p.odd_partials] == [(30, [3])]
    assert heard.unheard == ()
    assert len(heard.missing) == 56 - 24
    twenty = next(p for p in heard.pipes if p.key == 20)
    assert twenty.cents - twenty.curve_cents == pytest.approx(9.0, abs=1.5)


def test_what_is_no_pipe_of_the_rank_is_said_and_a_pipe_heard_again_counts_last() -> None:
    gap = np.zeros(RATE // 2)
    noise = 0.1 * np.random.default_rng(2).standard_normal(RATE)
    sound = np.concatenate([gap, steady(262.0), gap, noise, gap, steady(262.3), gap, steady(277.0), gap])
    heard = hear_rank(Recording(sound, RATE), {24: 261.6, 25: 277.2})
    assert [round(p.heard.frequency_hz, 2) for p in heard.pipes] == [262.3, 277.0]
    assert len(heard.unheard) == 1
    with pytest.raises(SoundError):
        hear_rank(Recording(noise, RATE), {24: 261.6})


@pytest.mark.parametrize("hertz", [0.5, -0.8, 1.7, 4.0])
@pytest.mark.parametrize("partials", [OPEN, STOPPED], ids=["open", "stopped"])
def test_beats_are_told_in_hertz_and_cents(hertz: float, partials: tuple[float, ...]) -> None:
    sound = steady(262.0, 6.0, partials) + 0.6 * steady(262.0 + hertz, 6.0, partials)
    found = beats(Recording(sound, RATE))
    assert found.state == "beating"
    assert found.hertz == pytest.approx(hertz, abs=0.02)
    assert abs(found.hertz - hertz) <= found.half_width_hz
    assert found.cents == pytest.approx(1200 * np.log2(1 + hertz / 262.0), abs=0.2)


def test_pipes_that_are_locked_or_closer_than_the_time_tells_are_together() -> None:
    found = beats(Recording(steady(262.0, 6.0), RATE))
    assert found.state == "together"
    assert found.half_width_hz == pytest.approx(2.5 / 6.0, rel=0.1)


def ran(*words: str) -> str:
    result = CliRunner().invoke(cli, ["ear", *words], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def test_the_command_measures_a_pipe_and_says_what_to_do(tmp_path: Path) -> None:
    rank = rank_with(tuning="cone", construction="open")
    pipe = pipes_of(rank.name)[24]
    flat = made(pipe.frequency_hz * 2 ** (-10 / 1200), 3.0, 5, Scene())
    file = str(written(tmp_path / "c1.wav", flat.samples))
    said = json.loads(ran("measure", file, "--organ", str(ORGAN_FILE), "--rank", rank.name, "--note", "c1", "--json"))
    assert said["advice"]["cents"] == pytest.approx(-10.0, abs=0.5)
    assert said["advice"]["action"] == "cut"
    assert "off the top" in ran("measure", file, "--organ", str(ORGAN_FILE), "--rank", rank.name, "--note", "c1")
    assert "Hz" in ran("measure", file)


def test_a_fork_at_the_beginning_takes_the_clock_out(tmp_path: Path) -> None:
    slow = 1.0 - 100e-6
    sound = np.concatenate([steady(440.0 * slow, 3.0, (1.0,)), np.zeros(RATE), steady(262.0 * slow, 3.0)])
    file = str(written(tmp_path / "a.wav", sound, 3))
    said = json.loads(ran("measure", file, "--reference", "440", "--reference-until", "3.5", "--json"))
    assert said["frequency_hz"] == pytest.approx(262.0, abs=1e-3)


def test_the_commands_for_a_rank_and_for_beats(tmp_path: Path) -> None:
    rank = rank_with(tuning="cone", construction="open")
    wanted = {k: p.frequency_hz for k, p in pipes_of(rank.name).items()}
    gap = np.zeros(RATE // 2)
    sound = np.concatenate([gap, *(x for k in (24, 26, 28, 29) for x in (steady(wanted[k] * 1.002, 1.5), gap))])
    file, picture = str(written(tmp_path / "r.wav", sound)), tmp_path / "r.svg"
    words = ("rank", file, str(ORGAN_FILE), "--rank", rank.name)
    said = json.loads(ran(*words, "--svg", str(picture), "--json"))
    assert [p["note"] for p in said["pipes"]] == ["c1", "d1", "e1", "f1"]
    assert all(p["cents"] == pytest.approx(3.46, abs=0.05) for p in said["pipes"])
    assert "<svg" in picture.read_text(encoding="utf-8")
    assert "Not heard" in ran(*words)
    two = written(tmp_path / "b.wav", steady(440.0, 5.0) + 0.6 * steady(441.0, 5.0))
    assert json.loads(ran("beats", str(two), "--json"))["hertz"] == pytest.approx(1.0, abs=0.01)
    assert "from it" in ran("beats", str(two))


def test_a_refusal_ends_with_its_reason_and_code_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = written(tmp_path / "a.wav", np.clip(5 * steady(440.0), -0.9, 0.9))
    with pytest.raises(SystemExit) as ended:
        main(["ear", "measure", str(file)])
    assert ended.value.code == 2
    assert "clipped" in capsys.readouterr().err
