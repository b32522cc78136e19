"""`python -m wiring signal` writes a test signal, `python -m wiring measure` reads a recording."""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import msgspec

from wiring.errors import WiringError
from wiring.measure.averages import NoiseAverage, analyse_noise
from wiring.measure.calibration import Calibration, read_calibration
from wiring.measure.faults import RecordingError
from wiring.measure.report import as_dict, in_words
from wiring.measure.signals import CAUTIONS, SignalSpec, make
from wiring.measure.sounds import read_sound, spec_of, wav_of
from wiring.measure.sums import channels_heard, tones_heard
from wiring.measure.take import analyse
from wiring.tuning.measurements import MeasurementError, nominal_hz

KINDS: Final = ("sweep", "pink", "tone", "pulse", "channels")


def add_commands(commands: Any) -> None:
    """Put both commands beside the others."""
    measuring = commands.add_parser(
        "measure", help="what a recording of a test signal says, the same sums as on the screens"
    )
    measuring.add_argument("signal", type=Path, help="the signal as it was played, a WAV of ours")
    measuring.add_argument("recording", type=Path, help="the recording, WAV or FLAC")
    measuring.add_argument("--calibration", type=Path, help="the microphone's calibration file")
    measuring.add_argument("--channel", type=int, help="of the recording; else the loudest")
    measuring.add_argument("--json", action="store_true", help="as JSON, in third octaves")
    making = commands.add_parser("signal", help="write a test signal as a WAV file")
    making.add_argument("kind", choices=KINDS)
    making.add_argument("file", type=Path, help="the WAV file to write")
    for name, said in (
        ("level-dbfs", "level against a sine at full scale; begin low"),
        ("seconds", "length of a sweep, a tone or noise"),
        ("rate-hz", "sample rate"),
        ("tone-hz", "frequency of a tone"),
        ("pause-s", "between one speaker and the next"),
    ):
        making.add_argument(f"--{name}", type=float, help=said)
    making.add_argument("--count", type=int, help="how often, one speaker each time")
    making.add_argument("--play-on", choices=("all", "left", "right"))
    making.add_argument("--mark-on", choices=("all", "left", "right"))


def repeated_by(
    spec: SignalSpec, recording: str, calibration: str = ""
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The two commands that repeat the sums from a recording that was kept, as their words: the
    signal is written again, then the recording is measured with it.

    `calibration` is the file of the microphone's calibration, empty without one.
    """
    plain = SignalSpec(spec.kind)
    said = [
        word
        for name in _REPEATED
        if (value := getattr(spec, name)) != getattr(plain, name)
        for word in (
            f"--{_OPTIONS.get(name, name.replace('_', '-'))}",
            value if isinstance(value, str) else f"{value:g}",
        )
    ]
    signal = f"{spec.kind}.wav"
    corrected = ("--calibration", calibration) if calibration else ()
    begin = ("python", "-m", "wiring")
    return (
        (*begin, "signal", spec.kind, signal, *said),
        (*begin, "measure", signal, recording, *corrected),
    )


_REPEATED: Final = (
    *("level_dbfs", "seconds", "sample_rate_hz", "tone_hz", "pause_s", "count"),
    *("play_on", "mark_on"),
)
_OPTIONS: Final = {"sample_rate_hz": "rate-hz"}


def run_signal(options: argparse.Namespace) -> int:
    """Write a signal; 0, or 2 when there is no such signal or no room for it."""
    given = {
        "level_dbfs": options.level_dbfs,
        "seconds": options.seconds,
        "sample_rate_hz": options.rate_hz,
        "tone_hz": options.tone_hz,
        "count": options.count,
        "pause_s": options.pause_s,
        "play_on": options.play_on,
        "mark_on": options.mark_on,
    }
    try:
        spec = SignalSpec(options.kind, **{k: v for k, v in given.items() if v is not None})
        options.file.write_bytes(wav_of(make(spec)))
    except (OSError, WiringError) as error:
        print(f"Cannot write the signal: {error}", file=sys.stderr)
        return 2
    print(f"{options.file}: {spec.kind}, {spec.length_s:.1f} s at {spec.level_dbfs:g} dBFS")
    for caution in CAUTIONS:
        print(f"CAUTION {caution}")
    return 0


def run_measure(options: argparse.Namespace) -> int:
    """Analyse a recording; 0, 1 when nothing can be said from it, 2 when it cannot be read."""
    try:
        spec = spec_of(read_sound(options.signal))
        sound = read_sound(options.recording)
        samples = sound.channel(options.channel)
        calibration = _calibration(options.calibration)
    except (OSError, WiringError, MeasurementError) as error:
        print(f"Cannot read the files: {error}", file=sys.stderr)
        return 2
    try:
        if spec.kind == "pink":
            noise = analyse_noise(spec, samples, sound.sample_rate_hz, calibration)
            lines, built = _noise_words(noise), _noise_dict(noise)
        elif spec.kind == "tone":
            tones, seen = tones_heard(spec, samples, sound.sample_rate_hz)
            built = {"tones": msgspec.to_builtins(tones)}
            lines = iter(
                [one.said for one in seen]
                + [
                    f"Take {one.number + 1}: {one.level_dbfs:.2f} dBFS at {spec.tone_hz:g} Hz, "
                    f"all else {one.rest_dbfs:.2f} dBFS"
                    for one in tones
                ]
            )
        elif spec.kind == "channels":
            channels = channels_heard(spec, samples, sound.sample_rate_hz)
            built = {"channels": msgspec.to_builtins(channels)}
            lines = iter(
                [
                    f"{one.name}: {one.level_dbfs:.1f} dBFS, {one.over_noise_db:.1f} dB over the "
                    f"background, {'heard' if one.heard else 'not heard'}"
                    for one in channels
                ]
            )
        else:
            found = analyse(spec, samples, sound.sample_rate_hz, calibration=calibration)
            lines, built = in_words(found), as_dict(found)
    except RecordingError as error:
        for one in error.faults:
            print(f"{one.severity.upper():8}{one.said}\n        do: {one.what_to_do}")
        return 1
    except WiringError as error:
        print(f"Nothing can be measured with this: {error}", file=sys.stderr)
        return 2
    if options.json:
        print(json.dumps(built, indent=2))
    else:
        print("\n".join(lines))
    return 0


def _calibration(path: Path | None) -> Calibration | None:
    return read_calibration(path.read_bytes(), path.name) if path is not None else None


def _noise_dict(noise: NoiseAverage) -> dict[str, Any]:
    curve = noise.thirds
    return {
        "segments": noise.segments,
        "faults": [{"kind": one.kind, "said": one.said} for one in noise.faults],
        "level_db": [
            (nominal_hz(hz), level)
            for hz, level in zip(
                curve.frequencies_hz.tolist(), curve.levels_db.tolist(), strict=True
            )
        ],
    }


def _noise_words(noise: NoiseAverage) -> Iterator[str]:
    built = _noise_dict(noise)
    yield f"Pink noise, {noise.segments} segments averaged ({noise.source})."
    for one in noise.faults:
        yield f"{one.severity.upper():8}{one.said}"
        yield f"        do: {one.what_to_do}"
    for hz, level in built["level_db"]:
        yield f"  {hz:<8g}{level:10.2f}"
