"""An analysis in words and as plain types, for the command line and for whoever keeps it."""

from collections.abc import Iterator
from typing import Any, Final

from wiring.measure.distortion import Harmonic
from wiring.measure.faults import Fault
from wiring.measure.take import Analysis, Take
from wiring.tuning.measurements import Measurement, nominal_hz

_RELATIVE: Final = {
    "mark": "after the marks' speaker",
    "sequence": "on the clock that all of this recording share",
    "nothing": "on a clock of its own, to be compared with nothing",
}


def in_words(found: Analysis) -> Iterator[str]:
    """The lines a person reads."""
    drift = "not known" if found.drift_ppm is None else f"{found.drift_ppm:+.1f} ppm, made up for"
    yield f"Signal found {found.begins_s:.2f} s after the recording begins."
    yield f"Recorder's clock against the player's: {drift}."
    for one in found.faults:
        yield from _fault(one)
    for take in found.takes:
        yield from _take(take)


def _take(take: Take) -> Iterator[str]:
    yield ""
    yield f"Take {take.name}: plays {take.low_hz:.0f} to {take.high_hz:.0f} Hz"
    yield f"  polarity  {take.polarity} ({take.sureness:.0%} of the band agrees)"
    if take.arrival_ms is not None:
        yield (
            f"  arrival   {take.arrival_ms:+.3f} ms, uncertain by "
            f"{take.arrival_uncertain_ms:.3f} ms, {_RELATIVE[take.relative_to]}"
        )
    for part in take.harmonics:
        yield f"  harmonic {part.order}  {_share(part)}"
    yield f"  window    {take.window.said}"
    for one in take.faults:
        yield from _fault(one)
    yield "  Hz        level dB   over noise dB"
    over = _by_band(take.over_noise)
    for hz, level in _by_band(take.thirds).items():
        beside = f"{over[hz]:10.1f}" if hz in over else ""
        yield f"  {hz:<8g}{level:10.2f}{beside}".rstrip()


def _share(part: Harmonic) -> str:
    worst = part.worst
    if worst is None:
        return "not over the noise"
    return f"{worst.percent:.2f} % at {nominal_hz(worst.at_hz):g} Hz, where it is most"


def _fault(one: Fault) -> Iterator[str]:
    yield f"{one.severity.upper():8}{one.said}"
    yield f"        do: {one.what_to_do}"


def _by_band(curve: Measurement | None) -> dict[float, float]:
    if curve is None:
        return {}
    return {
        nominal_hz(hz): level
        for hz, level in zip(curve.frequencies_hz.tolist(), curve.levels_db.tolist(), strict=True)
    }


def as_dict(found: Analysis) -> dict[str, Any]:
    """The same as plain types, in third octaves, with units in the names."""
    return {
        "drift_ppm": found.drift_ppm,
        "begins_s": found.begins_s,
        "faults": [_fault_dict(one) for one in found.faults],
        "takes": [
            {
                "name": take.name,
                "polarity": take.polarity,
                "sureness": take.sureness,
                "arrival_ms": take.arrival_ms,
                "arrival_uncertain_ms": take.arrival_uncertain_ms,
                "relative_to": take.relative_to,
                "low_hz": take.low_hz,
                "high_hz": take.high_hz,
                "window": take.window._asdict(),
                "level_db": _points(take.thirds),
                "noise_db": _points(take.noise),
                "over_noise_db": _points(take.over_noise),
                "harmonics_db": {str(one.order): _points(one.under) for one in take.harmonics},
                "faults": [_fault_dict(one) for one in take.faults],
            }
            for take in found.takes
        ],
    }


def _points(curve: Measurement | None) -> list[tuple[float, float]]:
    return list(_by_band(curve).items())


def _fault_dict(one: Fault) -> dict[str, str]:
    return {
        "kind": one.kind,
        "severity": one.severity,
        "said": one.said,
        "what_to_do": one.what_to_do,
    }
