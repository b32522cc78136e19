"""`python -m wiring signal` and `python -m wiring measure`, from files to words."""

import json
from pathlib import Path

import numpy as np
import pytest

from tests.wiring.measure.cabins import RATE_HZ, Driver, recorded
from wiring.__main__ import main
from wiring.measure.signals import CAUTIONS, SignalSpec
from wiring.measure.sounds import flac_of, read_sound, spec_of

DRIVER = Driver((("high", 2, 60.0),), inverted=True)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sounds")
    assert main(["signal", "sweep", str(folder / "sweep.wav"), "--seconds", "3"]) == 0
    spec = spec_of(read_sound(folder / "sweep.wav"))
    own = recorded(spec, [DRIVER], drift_ppm=40.0)  # 15 samples of 364 800: 41.1 ppm
    (folder / "recording.flac").write_bytes(flac_of(own, RATE_HZ))
    (folder / "noise.flac").write_bytes(
        flac_of(np.random.default_rng(1).normal(0, 0.01, 240_000), RATE_HZ)
    )
    (folder / "microphone.txt").write_text("20 1\n1000 0\n20000 -1\n")
    return folder


def test_a_signal_is_written_with_its_cautions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = tmp_path / "tone.wav"
    arguments = ["signal", "tone", str(name), "--tone-hz", "50", "--level-dbfs", "-30"]
    assert main(arguments) == 0
    said = capsys.readouterr().out
    assert all(caution in said for caution in CAUTIONS)
    assert spec_of(read_sound(name)) == SignalSpec("tone", tone_hz=50.0, level_dbfs=-30.0)
    assert main(["signal", "tone", str(name), "--level-dbfs", "3"]) == 2
    assert "level_dbfs" in capsys.readouterr().err
    assert main(["signal", "tone", str(tmp_path / "no" / "folder.wav")]) == 2


def test_a_recording_is_told_in_words(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["measure", str(files / "sweep.wav"), str(files / "recording.flac")]) == 0
    said = capsys.readouterr().out
    assert "Signal found 0.00 s after" in said
    assert "polarity  inverted" in said
    assert "against the player's: +41.1 ppm, made up for" in said
    assert "harmonic 2  not over the noise" in said
    assert "window    from 100 ms before the arrival" in said
    assert len([line for line in said.splitlines() if line.startswith("  1000 ")]) == 1


def test_the_same_as_json_with_a_calibration(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["measure", str(files / "sweep.wav"), str(files / "recording.flac"), "--json"]
    assert main(command) == 0
    plain = json.loads(capsys.readouterr().out)
    assert main([*command, "--calibration", str(files / "microphone.txt")]) == 0
    made_up = json.loads(capsys.readouterr().out)
    levels = [dict(one["takes"][0]["level_db"]) for one in (plain, made_up)]
    assert levels[0][10_000] - levels[1][10_000] == pytest.approx(-0.77, abs=0.03)
    assert plain["takes"][0]["polarity"] == "inverted"
    assert plain["drift_ppm"] == pytest.approx(40, abs=2)


def test_what_cannot_be_said_or_read_has_its_own_code(
    files: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["measure", str(files / "sweep.wav"), str(files / "noise.flac")]) == 1
    assert "do: " in capsys.readouterr().out
    assert main(["measure", str(files / "noise.flac"), str(files / "recording.flac")]) == 2
    assert "no description" in capsys.readouterr().err
    assert main(["measure", str(files / "sweep.wav"), str(files / "microphone.txt")]) == 2
    assert main(["measure", str(files / "sweep.wav"), str(files / "nothing.wav")]) == 2
    capsys.readouterr()
    assert (
        main(["measure", str(files / "sweep.wav"), str(files / "recording.flac"), "--channel", "2"])
        == 2
    )
    assert "has 1" in capsys.readouterr().err
