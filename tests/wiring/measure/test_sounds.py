"""Sound files: what goes out comes in again, and what is none is refused with a word."""

import io
import wave

import numpy as np
import pytest
import soundfile

from tests.wiring.measure.cabins import FULL, recorded
from wiring.errors import WiringError
from wiring.measure import sounds
from wiring.measure.signals import SignalSpec, make
from wiring.measure.sounds import flac_of, read_sound, spec_of, wav_of

RANDOM = np.random.default_rng(1)
SAMPLES = RANDOM.uniform(-0.9, 0.9, (2, 4_800))


@pytest.mark.parametrize(
    ("kind", "subtype", "exact"),
    [
        ("WAV", "PCM_16", 2**-15),
        ("WAV", "PCM_24", 2**-23),
        ("WAV", "PCM_32", 2**-31),
        ("WAV", "FLOAT", 2**-24),
        ("WAVEX", "PCM_24", 2**-23),
        ("FLAC", "PCM_16", 2**-15),
        ("FLAC", "PCM_24", 2**-23),
    ],
)
def test_every_kind_of_file_is_read(kind: str, subtype: str, exact: float) -> None:
    kept = io.BytesIO()
    soundfile.write(kept, SAMPLES.T, 44_100, subtype, format=kind)
    found = read_sound(kept.getvalue())
    assert found.sample_rate_hz == 44_100
    assert np.max(np.abs(found.samples - SAMPLES)) <= exact


def test_a_signal_is_read_by_the_standard_library_too() -> None:
    """wave of Python: 24 bits, channels and length; full scale is 2^23."""
    signal = make(SignalSpec(level_dbfs=-12.0, seconds=1.0))
    with wave.open(io.BytesIO(wav_of(signal))) as file:
        assert (file.getsampwidth(), file.getnchannels(), file.getframerate()) == (3, 2, 48_000)
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 2, 3)
    values = (raw.astype(np.int64) << np.array([0, 8, 16])).sum(axis=2)
    values -= (values >= 2**23) * 2**24
    assert np.max(np.abs(values.T / 2**23 - signal.samples)) < 2**-22


def test_a_signals_file_says_what_it_is() -> None:
    spec = SignalSpec("pulse", count=3, pause_s=2.0, play_on="left")
    assert spec_of(read_sound(wav_of(make(spec)))) == spec
    bare = flac_of(SAMPLES, 48_000.0)
    with pytest.raises(WiringError, match="no description"):
        spec_of(read_sound(bare))
    spoiled = read_sound(bare)._replace(comment=sounds.SAID + '{"kind":"whistle"}')
    with pytest.raises(WiringError, match="cannot be read"):
        spec_of(spoiled)


def test_a_recording_is_kept_small_and_whole() -> None:
    own = recorded(SignalSpec(channels=1), [FULL])
    kept = flac_of(own, 48_000.0)
    assert len(kept) < 1_500_000
    assert np.max(np.abs(read_sound(kept).channel(1) - own)) <= 2**-23


@pytest.mark.parametrize(("by", "comment"), [(1.2, "seat 1"), (1.9, ""), (700.0, "a\nb")])
def test_what_is_over_full_scale_is_kept_whole(by: float, comment: str) -> None:
    """Floating point may go over it; 24 bits under the next power of two are left."""
    own = read_sound(flac_of(SAMPLES * by, 48_000.0, comment))
    assert own.comment == comment
    assert np.max(np.abs(own.samples - SAMPLES * by)) <= by * 2 * 2**-23


def test_the_loudest_channel_is_taken_where_none_is_named() -> None:
    sound = read_sound(flac_of(np.stack((SAMPLES[0] / 10, SAMPLES[1])), 48_000.0))
    assert sound.channel() == pytest.approx(SAMPLES[1], abs=1e-6)
    assert sound.channel(1) == pytest.approx(SAMPLES[0] / 10, abs=1e-6)
    with pytest.raises(WiringError, match="has 2"):
        sound.channel(3)


def test_what_is_no_sound_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = io.BytesIO()
    soundfile.write(kept, SAMPLES.T, 44_100, format="AIFF")
    for content, word in (
        (b"no sound at all", "no WAV or FLAC"),
        (b"", "no WAV or FLAC"),
        (flac_of(SAMPLES, 48_000.0)[:200], "damaged"),
        (kept.getvalue(), "AIFF"),
        (wav_of(make(SignalSpec(seconds=1.0)))[:44], "no"),
    ):
        with pytest.raises(WiringError, match=word):
            read_sound(content)
    spoiled = io.BytesIO()
    soundfile.write(spoiled, np.array([0.0, np.nan, 0.1]), 44_100, "FLOAT", format="WAV")
    with pytest.raises(WiringError, match="no number"):
        read_sound(spoiled.getvalue())
    monkeypatch.setattr(sounds, "MOST_SAMPLES", SAMPLES.size - 1)
    with pytest.raises(WiringError, match="longer"):
        read_sound(flac_of(SAMPLES, 48_000.0))
    monkeypatch.setattr(sounds, "MOST_SAMPLES", SAMPLES.size)
    assert read_sound(flac_of(SAMPLES, 48_000.0)).samples.shape == SAMPLES.shape
