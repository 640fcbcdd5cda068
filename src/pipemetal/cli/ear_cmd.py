"""`pipemetal organ ear`: the pitch of finished pipes."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipemetal.cli.common import (
    FILE,
    json_option,
    out_option,
    print_json,
    print_table,
    recipes_option,
    rounded,
    settings_options,
)
from pipemetal.cli.shop_cmd import open_book, shop_of, shop_option
from pipemetal.errors import PipeError

if TYPE_CHECKING:
    from pipemetal.pipes.pipe import Pipe
    from pipemetal.pipes.rank import Organ, Rank
    from pipemetal.sound.advice import Advice, Air
    from pipemetal.sound.learn import Learned
    from pipemetal.sound.measure import Measured
    from pipemetal.sound.rank import HeardPipe

__all__ = ["ear"]

PARAMETER_WORDS = {
    "by_diameter": "open pipes",
    "by_octave": "by each octave above 261.6 Hz",
    "by_mouth": "mouth wider by a tenth of the circumference",
    "by_cut_up": "cut-up higher by a tenth of the mouth",
    "by_wind": "10 mm of wind more",
    "tapered": "tapered beyond open",
    "harmonic": "harmonic beyond open",
    "stepped": "stepped beyond open",
    "stopped": "stopped pipes",
}


@click.group(short_help="The pitch of finished pipes from recordings, and what to do about it.")
def ear() -> None:
    """The pitch of finished pipes from recordings: one pipe, a rank from bass to treble, two pipes that beat."""


@dataclass(frozen=True)
class _Place:
    """The pipes of one rank."""

    organ: Organ
    rank: Rank
    pipes: tuple[Pipe, ...]

    def pipe(self, note: str) -> Pipe:
        """The pipe of a note. Errors: PipeError where the rank has none."""
        from pipemetal.pipes.notes import parse_note

        key = parse_note(note, naming=self.organ.naming)
        for pipe in self.pipes:
            if pipe.key == key:
                return pipe
        raise PipeError("has no pipe in this rank", field="--note", value=note, allowed=self._compass())

    def _compass(self) -> str:
        return f"{self.pipes[0].note} to {self.pipes[-1].note}" if self.pipes else ""


def _place(organ_file: Path, rank: str, recipes_path: Path | None, choir: int = 1) -> _Place:
    from pipemetal.cli.pipes_cmd import load_pipes

    organ, _, made = load_pipes(organ_file, recipes_path, rank)
    held = tuple(p for p in made if p.choir == choir and p.made != "wood")
    return _Place(organ, next(r for r in organ.ranks if r.name == rank), held)


def _air(organ: Organ, air_c: float | None, plus_minus_k: float) -> Air:
    from pipemetal.sound.advice import Air

    return Air(organ.pitch.tuning_c if air_c is None else air_c, plus_minus_k)


_AIR = click.option("--air", "air_c", type=float, help="Air at the pipe, C [the organ's tuning temperature].")
_PLUS = click.option(
    "--air-plus-minus", type=click.FloatRange(0, 10), default=0.2, show_default=True, help="95 % of it, K."
)


@ear.command(short_help="The pitch of one steady pipe, and how much to take off or to add.")
@click.argument("recording", metavar="SOUND.wav", type=FILE)
@click.option("--organ", "organ_file", type=FILE, metavar="ORGAN.toml", help="With --rank and --note: what to do.")
@click.option("--rank", help="The rank of the pipe.")
@click.option("--note", help="The note of the pipe.")
@click.option(
    "--expected", type=click.FloatRange(20, 10_000), metavar="HZ", help="Without an organ: about what it sounds."
)
@_AIR
@_PLUS
@click.option(
    "--reference",
    type=click.FloatRange(20, 10_000),
    metavar="HZ",
    help="What a reference sounds that begins the recording.",
)
@click.option("--reference-until", type=click.FloatRange(0.5, 3600), metavar="S", help="Where the reference has ended.")
@settings_options
@recipes_option
@json_option
def measure(
    recording: Path,
    organ_file: Path | None,
    rank: str | None,
    note: str | None,
    expected: float | None,
    air_c: float | None,
    air_plus_minus: float,
    reference: float | None,
    reference_until: float | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Measure the one steady pipe in SOUND.wav (WAV; FLAC, MP3 and Ogg with the extra `sound`).

    With --organ, --rank and --note it says how far the pipe is off in this air, and what to do. A fork or a tuned pipe at the
    beginning of the same recording (--reference, --reference-until) takes the recorder's clock out; a pipe the air as well.
    """
    from pipemetal.files.sound_file import read_recording
    from pipemetal.sound.advice import advise, wanted_hz
    from pipemetal.sound.measure import after_reference
    from pipemetal.sound.measure import measure as measured

    if (organ_file, rank, note).count(None) not in (0, 3):
        raise click.UsageError("--organ, --rank and --note belong together")
    if (reference is None) != (reference_until is None):
        raise click.UsageError("--reference and --reference-until belong together")
    sound, factor = read_recording(recording), 1.0
    if reference is not None and reference_until is not None:
        sound, factor = after_reference(sound, reference, reference_until)
    if organ_file is None or rank is None or note is None:
        _tell(measured(sound, expected), None, factor, as_json)
        return
    place = _place(organ_file, rank, recipes_path)
    pipe, air = place.pipe(note), _air(place.organ, air_c, air_plus_minus)
    found = measured(sound, wanted_hz(pipe, place.organ.pitch, air))
    _tell(found, advise(place.rank, pipe, place.organ.pitch, found, air, factor=factor), factor, as_json)


def _told(found: Measured, advice: Advice | None, factor: float) -> dict[str, object]:
    said: dict[str, object] = {
        "frequency_hz": rounded(found.frequency_hz * factor, 5),
        "half_width_cents": rounded(found.half_width_cents, 4),
        "pipe_half_width_cents": rounded(found.pipe_half_width_cents, 4),
        "seconds": rounded(found.seconds, 2),
        "wander_slow_cents": rounded(found.wander_slow_cents, 3),
        "wander_fast_cents": rounded(found.wander_fast_cents, 3),
        "noise_db": rounded(found.noise_db, 1),
        "partials": [
            {"number": p.number, "level_db": rounded(p.level_db, 2), "moved_db": rounded(p.moved_db, 2)}
            for p in found.partials
        ],
    }
    return said if advice is None else said | {"advice": asdict(advice)}


def _tell(found: Measured, advice: Advice | None, factor: float, as_json: bool) -> None:
    if as_json:
        print_json(_told(found, advice, factor))
        return
    rows: list[tuple[str, str]] = [
        ("sounds", f"{found.frequency_hz * factor:.3f} Hz"),
        ("95 % of what sounded", f"+- {found.half_width_cents:.3f} cents"),
        ("95 % of the pipe, wind counted", f"+- {found.pipe_half_width_cents:.2f} cents"),
        ("wind wanders, slow and fast", f"{found.wander_slow_cents:.2f} and {found.wander_fast_cents:.2f} cents"),
        ("all but the tone", f"{found.noise_db:.0f} dB"),
        ("measured", f"{found.seconds:.2f} s"),
    ]
    if advice is not None:
        rows += [
            ("should sound in this air", f"{advice.wanted_hz:.3f} Hz"),
            ("off", f"{advice.cents:+.2f} +- {advice.half_width_cents:.2f} cents"),
            ("too long (under 0: too short)", f"{advice.shorten_mm:+.2f} +- {advice.half_width_mm:.2f} mm"),
            ("to sound as it should in this very air", f"{advice.now_cents:+.2f} cents, {advice.now_mm:+.2f} mm"),
            ("what to do", str(advice.told)),
        ]
    levels = ", ".join(f"{p.number}: {p.level_db:.0f}" for p in found.partials)
    notes = [f"Partials in dB by the strongest: {levels}."]
    if factor == 1.0:
        notes.append("A recorder's clock may be off by 0.1 cent; a reference in the same recording takes that out.")
    print_table("The pipe", ["", "value"], rows, notes)


@ear.command(short_help="A rank recorded pipe after pipe: named, and which stands out.")
@click.argument("recording", metavar="SOUND.wav", type=FILE)
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--rank", required=True, help="The rank that was recorded.")
@click.option("--choir", type=click.IntRange(1, 20), default=1, show_default=True, help="Of a compound rank.")
@_AIR
@_PLUS
@out_option("--svg", "svg_path", metavar="FILE", help="Write the picture of cents over the keys.")
@settings_options
@recipes_option
@json_option
def rank(
    recording: Path,
    organ_file: Path,
    rank: str,
    choir: int,
    air_c: float | None,
    air_plus_minus: float,
    svg_path: Path | None,
    recipes_path: Path | None,
    as_json: bool,
) -> None:
    """Find the pipes of a rank in SOUND.wav, recorded one after the other in any order, with a short rest between.

    Every pipe is named by its pitch, held against what it should sound, and against the smooth curve of its rank.
    """
    from pipemetal.files.sound_file import read_recording
    from pipemetal.sound.advice import advise, wanted_hz
    from pipemetal.sound.rank import hear_rank

    place = _place(organ_file, rank, recipes_path, choir)
    air = _air(place.organ, air_c, air_plus_minus)
    by_key = {p.key: p for p in place.pipes}
    heard = hear_rank(read_recording(recording), {k: wanted_hz(p, place.organ.pitch, air) for k, p in by_key.items()})
    told = [(p, by_key[p.key], advise(place.rank, by_key[p.key], place.organ.pitch, p.heard, air)) for p in heard.pipes]
    if svg_path is not None:
        from pipemetal.documents.ear_picture import ear_picture
        from pipemetal.documents.svg import to_svg
        from pipemetal.files.outbox import write

        write(svg_path, to_svg(ear_picture(heard, rank, naming=place.organ.naming)))
    if as_json:
        rows = [
            _told(p.heard, advice, 1.0)
            | {
                "note": pipe.note,
                "start_s": rounded(p.start_s, 2),
                "cents": rounded(p.cents, 3),
                "curve_cents": rounded(p.curve_cents, 3),
                "stands_out": p.stands_out,
                "odd_partials": [{"number": n, "level_db": rounded(off, 1)} for n, off in p.odd_partials],
            }
            for p, pipe, advice in told
        ]
        print_json({"rank": rank, "pipes": rows, "unheard": heard.unheard, "missing": list(heard.missing)})
        return
    _print_rank(rank, told)
    for lost in heard.unheard:
        click.echo(f"At {lost.start_s:.1f} s, {lost.seconds:.1f} s long: {lost.why}")
    if heard.missing:
        click.echo("Not heard: " + ", ".join(by_key[k].note for k in heard.missing))


def _print_rank(name: str, told: list[tuple[HeardPipe, Pipe, Advice]]) -> None:
    rows = [
        (
            pipe.note,
            f"{p.heard.frequency_hz:.2f}",
            f"{p.cents:+.2f}",
            f"{p.heard.half_width_cents:.2f}",
            f"{p.curve_cents:+.2f}",
            f"{advice.shorten_mm:+.2f}",
            _remark(p),
        )
        for p, pipe, advice in told
    ]
    headings = ["note", "Hz", "cents", "+-", "curve", "too long, mm", "stands out"]
    print_table(f"{name} as heard", headings, rows, ["Begin with a part of a cut, and hear the pipe again."])


def _remark(p: HeardPipe) -> str:
    said = ["pitch"] if p.stands_out else []
    return ", ".join([*said, *(f"partial {n} {off:+.0f} dB" for n, off in p.odd_partials)])


@ear.command(short_help="How far apart two pipes are that sound together.")
@click.argument("recording", metavar="SOUND.wav", type=FILE)
@click.option("--expected", type=click.FloatRange(20, 10_000), metavar="HZ", help="About what they sound.")
@json_option
def beats(recording: Path, expected: float | None, as_json: bool) -> None:
    """The beats of two pipes in SOUND.wav: hertz, cents, or together (locked, or closer than the recording can tell)."""
    from pipemetal.files.sound_file import read_recording
    from pipemetal.sound.beats import beats as of

    found = of(read_recording(recording), expected)
    if as_json:
        print_json(found)
        return
    if found.state == "together":
        click.echo(f"Together at {found.frequency_hz:.2f} Hz: locked, or less than {found.half_width_hz:.2f} Hz apart.")
        return
    click.echo(
        f"The louder sounds {found.frequency_hz:.2f} Hz; the other is {found.hertz:+.3f} +- {found.half_width_hz:.3f} Hz "
        f"({found.cents:+.2f} cents) from it."
    )


@ear.command(short_help="What the length rule missed, for the next cut lengths.")
@click.argument("heard_file", metavar="TRIMMED.csv", type=FILE)
@click.argument("organ_file", metavar="ORGAN.toml", type=FILE)
@click.option("--keep", is_flag=True, help="Keep it in the shop book as settings, one event; needs --shop.")
@shop_option
@recipes_option
@json_option
def learn(
    heard_file: Path, organ_file: Path, keep: bool, shop: str | None, recipes_path: Path | None, as_json: bool
) -> None:
    """Learn from flue pipes of ORGAN.toml that were trimmed to their pitch: what is to be added to the next bodies.

    TRIMMED.csv has a row for each pipe: rank, note, length_mm (lower lip to top, or to the cap's inner face), heard_hz, and air_c
    where it is not the organ's tuning temperature. With --keep the shop book keeps it; whatever takes lengths from that
    book's settings is longer by it from then on.
    """
    from pipemetal.files.trimmed_file import read_trimmed
    from pipemetal.sound.learn import learn_lengths

    organ, _, made = _pipes(organ_file, recipes_path)
    found = learn_lengths(read_trimmed(heard_file, organ, made))
    event = _keep(shop_of(shop), found) if keep else None
    if as_json:
        print_json(asdict(found) | {"event": event})
        return
    _print_learned(found, event)


def _print_learned(found: Learned, event: int | None) -> None:
    rows = [
        *((PARAMETER_WORDS[k.parameter], f"{k.value:+.4f} +- {k.half_width:.4f}") for k in found.known),
        ("the rule alone misses", f"{found.missed_before_cents:.1f} cents, {found.missed_before_mm:.1f} mm"),
        ("with this, foretold", f"{found.missed_after_cents:.1f} cents, {found.missed_after_mm:.1f} mm"),
        ("pipes, ranks", f"{found.pipes_used}, {found.ranks_used}"),
    ]
    notes = [f"Not known, left at 0: {PARAMETER_WORDS[u.parameter]} ({u.why})." for u in found.unknown]
    if found.ranks_used == 1:
        notes.append("From one rank alone: another rank may depart from it, and the intervals do not know how far.")
    notes += [f"Unlike the others, left out: {', '.join(found.left_out)}."] if found.left_out else []
    lines = "\n".join(["[lengths]", *(f"{k.parameter} = {k.value:.4f}" for k in found.known)])
    kept = f"The book keeps it (event {event}; `pipemetal book undo {event}` takes it back)."
    print_table(
        "What bodies are beyond the rule, in diameters",
        ["", "value"],
        rows,
        [*notes, kept if event else f"For shop.toml:\n{lines}"],
    )


def _pipes(organ_file: Path, recipes_path: Path | None) -> tuple[Organ, object, tuple[Pipe, ...]]:
    from pipemetal.cli.pipes_cmd import load_pipes

    return load_pipes(organ_file, recipes_path)


def _keep(shop: str, found: Learned) -> int:
    """Keep what was learned in the book beside what it keeps already; the event."""
    from pipemetal.shop.stock import settings_of_book

    said = dict(settings_of_book(shop, None).said)
    said |= {
        f"lengths.{name}": value for name, value in asdict(found.lengths).items() if value or f"lengths.{name}" in said
    }
    with open_book(shop) as book:
        return book.settings.keep(said).event
