"""Every public sum about channels, filters and tuning refuses what is no number.

A good call of each function is kept here; each number in it is replaced in turn by not-a-number,
infinity and 1e-300, and the function must say which field is wrong.
"""

import importlib
import inspect
import pkgutil
import typing
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any, Final

import msgspec
import numpy as np
import pytest

import wiring.channels
import wiring.filters
import wiring.measure
import wiring.tuning
from tests.wiring.plans import changed, good_plan
from wiring.channels import levels
from wiring.channels.mapping import carried_levels, propose as propose_channels
from wiring.check import check
from wiring.context import Context
from wiring.errors import WiringError
from wiring.filters import biquads, crossovers, passive, typing_in
from wiring.measure import (
    arrival as arrivals,
    averages,
    distortion,
    faults,
    impulse,
    locate,
    meeting,
    proposals,
    responses,
    signals,
    sounds,
    spectra,
    sums,
    take,
    tolerance,
)
from wiring.plan import (
    Crossover,
    Passive,
    PassivePart,
    Plan,
    ProcessorLimits,
    Rating,
    Section,
    Setting,
    Speaker,
)
from wiring.tuning import (
    agreement,
    alignment,
    capture,
    fitting,
    gain,
    least_squares,
    measurements,
    response,
    stages,
    targets,
)

GRID = np.geomspace(30.0, 15_000.0, 40)
FLAT = measurements.Measurement(GRID, np.zeros(40))
SECTION = Section("peaking", 1_000.0, 3.0, 1.0)
CROSSOVER = Crossover("butterworth", 2, 2_000.0)
SETTING = Setting(high_pass=CROSSOVER, level_db=-3.0, delay_ms=1.0, sections=(SECTION,))
PARTS = (PassivePart("series", capacitance_f=1e-5),)
SPEAKER = Speaker("t", "T", "tweeter", "front_dash_left", 4.0, passive=Passive(PARTS))
POINTS = ((100.0, 0.5), (1_000.0, 0.5), (10_000.0, 0.5))
OUTPUT = capture.Output("a", "A", "left", POINTS)
SPEC = signals.SignalSpec(channels=1, seconds=1.0)
PINK = signals.SignalSpec("pink", channels=1, seconds=2.0)
RECORDED = signals.make(SPEC).samples[0]
LINES = spectra.lines_hz(4_800, 48_000.0)
IMPULSE = impulse.Impulse(np.concatenate(([0.0, 1.0], np.zeros(65_534))), 48_000.0, 1.0)
RESPONSE = impulse.transfer(IMPULSE)
LOCATED = locate.locate(SPEC, RECORDED, 48_000.0)
assert LOCATED is not None
PLACED = {
    "spec": SPEC, "samples": RECORDED, "located": LOCATED, "stretch": LOCATED.stretches[0]
}  # fmt: skip
TAKE = take.analyse(SPEC, RECORDED, 48_000.0).takes[0]
TONE = signals.SignalSpec("tone", seconds=1.5)
SHARED = replace(TAKE, relative_to="sequence")
CHANNELS = signals.SignalSpec("channels", channels=1, seconds=2.0, pause_s=0.5)
SEATS = (alignment.Seat("driver", {"a": 1.0, "b": 1.5}),)

CALLS: Final[dict[Callable[..., Any], dict[str, Any]]] = {
    levels.target_voltage_v: {"power_w": 50.0, "load_ohm": 4.0},
    levels.power_w: {"voltage_v": 10.0, "load_ohm": 4.0},
    levels.ratio_db: {"voltage_v": 10.0, "reference_v": 5.0},
    levels.full_scale_v: {"measured_v": 1.0, "tone_dbfs": -10.0},
    levels.sensitivity_v: {"full_scale_source_v": 4.0, "overlap_db": 10.0},
    levels.tone_target_v: {"rated_v": 20.0, "tone_dbfs": -10.0, "overlap_db": 10.0},
    levels.guide: {
        "plan": good_plan(), "overlap_db": 10.0, "tone_dbfs": -10.0,
        "source_v": {"mono": 1.0}, "measured_v": {"mono.1": 5.0},
    },
    gain.room_db: {"takes_v": 5.0, "arrives_v": 4.0},
    biquads.section_biquad: {"section": SECTION, "sample_rate_hz": 48_000.0},
    biquads.crossover_biquads: {
        "crossover": CROSSOVER, "direction": "low_pass", "sample_rate_hz": 48_000.0
    },
    biquads.setting_biquads: {"setting": SETTING, "sample_rate_hz": 48_000.0},
    crossovers.power_gain: {"family": "bessel", "order": 3, "ratio": 0.5},
    crossovers.level_db: {
        "crossover": CROSSOVER, "direction": "low_pass", "frequency_hz": 500.0
    },
    crossovers.chain_level_db: {
        "filters": (CROSSOVER,), "direction": "low_pass", "frequency_hz": 500.0
    },
    crossovers.crossing: {"low_pass": (CROSSOVER,), "high_pass": (CROSSOVER,)},
    crossovers.analogue_response: {
        "crossover": CROSSOVER, "direction": "low_pass", "frequencies_hz": 500.0
    },
    passive.solve: {"parts": PARTS, "load_ohm": 4.0, "frequencies_hz": GRID},
    passive.gain_db: {"parts": PARTS, "load_ohm": 4.0, "frequency_hz": 500.0},
    passive.passive_filters: {"parts": PARTS, "load_ohm": 4.0},
    passive.preferred: {"value": 4.7e-6},
    passive.is_preferred: {"value": 4.7e-6},
    alignment.speed_of_sound_m_s: {"air_c": 20.0, "humidity": 0.5},
    alignment.humid_fraction: {"air_c": 20.0},
    alignment.align: {
        "seats": SEATS, "air_c": 20.0, "step_ms": 0.02, "sample_rate_hz": 48_000.0,
        "longest_ms": 20.0, "humidity": 0.5,
    },
    capture.examine: {"outputs": (OUTPUT,), "sums": ()},
    fitting.playing_band_hz: {"setting": SETTING},
    fitting.propose: {
        "measurement": FLAT, "target": targets.WARM, "current": SETTING,
        "limits": fitting.Limits(), "sample_rate_hz": 48_000.0, "low_hz": 50.0, "high_hz": 9_000.0,
    },
    fitting.within_boost: {
        "sections": (SECTION,), "standing": (), "limits": fitting.Limits(),
        "sample_rate_hz": 48_000.0,
    },
    least_squares.least_squares: {
        "residuals": lambda values: values, "slopes": lambda values: np.eye(values.size),
        "start": np.ones(2), "low": np.zeros(2), "high": np.full(2, 5.0), "most_evaluations": 9,
        "tolerance": 1e-5,
    },
    fitting.null_mask: {"measurement": FLAT, "grid": GRID},
    measurements.Measurement: {"frequencies_hz": GRID, "levels_db": np.ones(40)},
    measurements.band_centres_hz: {"fraction": 3, "low_hz": 20.0, "high_hz": 20_000.0},
    measurements.nominal_hz: {"exact_hz": 1_000.0},
    measurements.smooth: {"measurement": FLAT, "fraction": 3, "at_hz": GRID},
    measurements.average: {"measurements": (FLAT, FLAT), "weights": (1.0, 0.5)},
    measurements.spread: {"curves": (FLAT, FLAT), "low_hz": 100.0, "high_hz": 8_000.0},
    measurements.bands: {
        "measurement": FLAT, "fraction": 3, "low_hz": 20.0, "high_hz": 20_000.0
    },
    response.log_grid: {"points": 8, "low_hz": 20.0, "high_hz": 20_000.0},
    response.decibels: {"response": np.ones(3)},
    response.phase_deg: {"response": np.ones(3, dtype=complex)},
    response.evaluate: {
        "stacks": [[biquads.IDENTITY]], "frequencies_hz": GRID, "sample_rate_hz": 48_000.0
    },
    response.delay_response: {"delay_ms": 1.0, "frequencies_hz": GRID},
    response.passive_response: {"speaker": SPEAKER, "frequencies_hz": GRID},
    response.through: {
        "context": Context(good_plan()),
        "channels": list(good_plan().channels),
        "frequencies_hz": GRID,
    },
    response.plan_response: {
        "plan": good_plan(), "frequencies_hz": GRID, "distances_m": {"sub": 2.0},
        "acoustic": {}, "air_c": 20.0,
    },
    stages.around: {"centre_hz": 1_000.0, "ratio": 1.5},
    stages.level_db: {"setting": SETTING, "rate_hz": 48_000.0},
    stages.shaping_db: {"sections": (SECTION,), "rate_hz": 48_000.0},
    stages.filters_on_grid: {"setting": SETTING, "rate_hz": 48_000.0},
    stages.filters_around: {"setting": SETTING, "rate_hz": 48_000.0, "centre_hz": 1_000.0},
    targets.check: {"target": targets.TargetCurve("own", POINTS)},
    targets.distance: {
        "measurement": FLAT, "target": targets.FLAT, "low_hz": 20.0, "high_hz": 20_000.0
    },
    typing_in.nearest: {"steps": None, "wanted": 3.0, "by_ratio": True},
    typing_in.delay_typed: {"limits": ProcessorLimits(delay_unit="cm"), "delay_ms": 1.0},
    typing_in.octaves_of_q: {"q": 1.0},
    typing_in.q_of_octaves: {"octaves": 1.0},
    signals.SignalSpec: {
        "level_dbfs": -20.0, "seconds": 2.0, "sample_rate_hz": 48_000.0, "low_hz": 16.0,
        "high_hz": 20_000.0, "pause_s": 1.0, "crest_db": 12.0, "tone_hz": 1_000.0,
    },
    signals.mark_at: {"times_s": GRID},
    signals.times_s: {"seconds": 1.0, "clock_hz": 48_000.0},
    signals.pulse_at: {"times": GRID},
    signals.crest_db: {"samples": GRID},
    signals.pink: {
        "seconds": 1.0, "clock_hz": 4_000.0, "low_hz": 20.0, "high_hz": 1_000.0, "crest": 12.0
    },
    spectra.lines_hz: {"size": 64, "clock_hz": 48_000.0},
    spectra.welch: {"samples": RECORDED, "sample_rate_hz": 48_000.0, "segment_s": 0.1},
    spectra.whole_bands_hz: {"fraction": 3, "low_hz": 20.0, "high_hz": 20_000.0},
    spectra.mean_in_bands: {
        "frequencies_hz": LINES, "power": LINES, "centres_hz": GRID, "fraction": 3
    },
    spectra.power_in_bands: {
        "spectrum": spectra.Spectrum(LINES, LINES, 1), "centres_hz": GRID, "fraction": 3
    },
    spectra.band_levels: {
        "spectrum": spectra.Spectrum(LINES, LINES, 1), "low_hz": 100.0, "high_hz": 10_000.0
    },
    spectra.level_db: {"power": np.ones(40)},
    impulse.deconvolve: {
        "recorded": RECORDED, "played": RECORDED, "clock_hz": 48_000.0, "low_hz": 16.0,
        "high_hz": 20_000.0,
    },
    impulse.taper: {"frequencies_hz": LINES, "low_hz": 16.0, "high_hz": 20_000.0},
    impulse.windowed: {"impulse": IMPULSE, "arrival_s": 0.0},
    impulse.window_shape: {"count": 48_000, "clock_hz": 48_000.0, "window": impulse.LONG},
    impulse.transfer: {"impulse": IMPULSE, "least_hz": 2.0},
    arrivals.minimum_phase_rad: {
        "frequencies_hz": GRID, "levels_db": np.zeros(40), "low_slope": 6.0, "high_slope": -6.0
    },
    arrivals.arrival: {
        "spectrum": RESPONSE, "low_hz": 20.0, "high_hz": 20_000.0,
        "noise": np.zeros(RESPONSE.frequencies_hz.size),
    },
    distortion.harmonics: {
        "impulse": IMPULSE, "arrival_s": 0.0, "sweep_rate_s": 0.5, "linear": RESPONSE,
        "low_hz": 50.0, "high_hz": 10_000.0, "noise": np.ones(RESPONSE.frequencies_hz.size),
    },
    faults.level_faults: {"samples": RECORDED},
    faults.rate_fault: {"sample_rate_hz": 48_000.0},
    faults.noisy_bands: {"over_noise": FLAT, "low_hz": 50.0, "high_hz": 10_000.0},
    locate.locate: {"spec": SPEC, "samples": RECORDED, "sample_rate_hz": 48_000.0},
    locate.find_marks: {"samples": RECORDED, "clock_hz": 48_000.0},
    locate.matched: {"samples": RECORDED, "template": RECORDED},
    locate.lag: {"earlier": RECORDED, "later": RECORDED, "clock_hz": 48_000.0},
    locate.true_rate_hz: {"spec": SPEC, "samples": RECORDED, "sample_rate_hz": 48_000.0},
    responses.response_of: PLACED,
    responses.quiet_of: PLACED,
    responses.level_change_db: {
        "samples": RECORDED, "located": LOCATED, "stretch": LOCATED.stretches[0]
    },
    responses.noise_power: {
        "spec": SPEC, "background": spectra.welch(RECORDED, 48_000.0), "spectrum": RESPONSE,
        "clock_hz": 48_000.0,
    },
    responses.mark_arrival: {"samples": RECORDED, "located": LOCATED, "begin": 48_000.0},
    take.analyse: {"spec": SPEC, "samples": RECORDED, "sample_rate_hz": 48_000.0},
    sums.tone_level: {"samples": RECORDED, "sample_rate_hz": 48_000.0, "tone_hz": 100.0},
    sums.tones_heard: {
        "spec": TONE, "samples": signals.make(TONE).samples[0], "sample_rate_hz": 48_000.0
    },
    sums.channels_heard: {
        "spec": CHANNELS, "samples": signals.make(CHANNELS).samples[0], "sample_rate_hz": 48_000.0
    },
    sums.summed: {
        "takes": (SHARED, SHARED), "changes_ms": (0.5, 0.0), "turned": (False, True)
    },
    meeting.shared_bands_hz: {"crossing_hz": 1_000.0},
    meeting.meet: {
        "lower": SHARED, "upper": SHARED, "crossing_hz": 1_000.0,
        "between": np.ones(meeting.shared_bands_hz(1_000.0).size, dtype=np.complex128),
    },
    averages.average_takes: {"takes": (TAKE, TAKE), "weights": (1.0, 2.0)},
    averages.analyse_noise: {
        "spec": PINK, "samples": signals.make(PINK).samples[0], "sample_rate_hz": 48_000.0
    },
    proposals.propose_delays: {
        "arrivals_ms": {"a": 1.0, "b": 2.0}, "tape_ms": {"a": 1.0}, "uncertain_ms": {"a": 0.1},
        "standing_ms": {"b": 1.0},
    },
    proposals.match_levels: {
        "first": "a", "second": "b", "curves": (FLAT, FLAT), "low_hz": 50.0, "high_hz": 9_000.0,
        "step_db": 0.5,
    },
    tolerance.judge_tolerance: {
        "car": FLAT, "setup": FLAT, "tolerance_db": 2.0, "low_hz": 100.0, "high_hz": 10_000.0
    },
    sounds.flac_of: {"samples": RECORDED[:4_800], "sample_rate_hz": 48_000.0},
    agreement.plays: {"found_db": np.zeros(40), "left_db": np.zeros(40)},
    agreement.disagreement: {
        "computed": FLAT, "measured": FLAT, "low_hz": 20.0, "high_hz": 20_000.0
    },
}  # fmt: skip

OTHERWISE: Final = {
    "wiring.tuning.stages.problem": "its answer is the reason",
    **{
        f"wiring.measure.faults.{name}": "its answer is a sentence about a figure worked out"
        for name in (
            "other_rate",
            "starts_late",
            "ends_early",
            "clocks_apart",
            "level_changed",
            "takes_differ",
        )
    },
    "wiring.tuning.arrays.require_numbers": "refuses, and is called by all others",
    "wiring.tuning.arrays.require_frequencies": "refuses, and is called by all others",
    "wiring.tuning.arrays.shares": "called by all averages, which are asked",
}
COMPUTED: Final = {"residual_ms"}
"""A difference that may rightly be as small as rounding leaves it."""
TINY_IS_A_NUMBER: Final = {
    "tone_dbfs",
    "air_c",
    "humidity",
    "ratio",
    "response",
    "delay_ms",
    "outputs",
    # samples of a sound, moments, levels and differences
    "samples",
    "recorded",
    "played",
    "template",
    "earlier",
    "later",
    "power",
    "noise",
    "times",
    "times_s",
    "arrival_s",
    "begin",
    "arrivals_ms",
    "tape_ms",
    "changes_ms",
    "low_slope",
    "high_slope",
}
BAD: Final = (float("nan"), float("inf"), float("-inf"), 1e-300)


def variants(value: Any, bad: float) -> Iterator[Any]:
    """The value with one number in it replaced, once for each number."""
    if type(value) is float:
        yield bad
    elif isinstance(value, np.ndarray) and value.size:
        spoiled = value.copy()
        spoiled[1] = bad
        yield spoiled
    elif isinstance(value, tuple) and not hasattr(value, "_fields"):
        for index, each in enumerate(value):
            for other in variants(each, bad):
                yield (*value[:index], other, *value[index + 1 :])
    elif isinstance(value, dict):
        for key, each in value.items():
            for other in variants(each, bad):
                yield {**value, key: other}
    elif isinstance(value, msgspec.Struct) and not isinstance(value, Plan | signals.SignalSpec):
        for name in value.__struct_fields__:
            for other in variants(getattr(value, name), bad):
                yield msgspec.structs.replace(value, **{name: other})


def signed(function: Callable[..., Any], name: str) -> bool:
    return name in TINY_IS_A_NUMBER | COMPUTED or function in (
        response.decibels,
        response.phase_deg,
        impulse.taper,
    )


@pytest.mark.parametrize("function", CALLS, ids=lambda one: f"{one.__module__}.{one.__name__}")
def test_what_is_no_number_is_refused_with_field_and_reason(function: Callable[..., Any]) -> None:
    good = CALLS[function]
    function(**good)
    refused = 0
    for name, value in good.items():
        for bad in BAD:
            if bad == 1e-300 and signed(function, name):
                continue
            for other in variants(value, bad):
                if bad == 1e-300 and _levels_alone(value, other):
                    continue
                with pytest.raises(WiringError) as caught:
                    function(**{**good, name: other})
                assert caught.value.field
                assert caught.value.reason
                refused += 1
    assert refused


def _levels_alone(value: Any, other: Any) -> bool:
    """A level in decibels that rounding left next to 0 is a level."""
    if isinstance(value, np.ndarray):
        return bool(np.ptp(value) == 0)
    return False


def public(package: Any) -> Iterator[Callable[..., Any]]:
    for info in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
        module = importlib.import_module(info.name)
        for name, one in vars(module).items():
            inner = inspect.unwrap(one) if callable(one) else one
            own = inspect.isfunction(inner) and inner.__module__ == module.__name__
            if own and not name.startswith("_"):
                yield one


@pytest.mark.parametrize(
    "package", [wiring.channels, wiring.filters, wiring.measure, wiring.tuning]
)
def test_no_public_function_that_takes_a_number_is_left_out(package: Any) -> None:
    missing = []
    for one in public(package):
        hints = typing.get_type_hints(inspect.unwrap(one))
        hints.pop("return", None)
        takes = any("float" in str(hint) or "ndarray" in str(hint) for hint in hints.values())
        name = f"{one.__module__}.{one.__name__}"
        if takes and one not in CALLS and name not in OTHERWISE:
            missing.append(name)
    assert missing == []


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize(
    ("part", "part_id", "changes"),
    [
        ("channels", "amp6.1", lambda x: {"setting": Setting(level_db=x)}),
        ("channels", "amp6.1", lambda x: {"setting": Setting(sections=(Section("peaking", x),))}),
        ("channels", "amp6.1", lambda x: {"output_limit_v": x}),
        ("speakers", "sub", lambda x: {"impedance_ohm": x}),
        ("speakers", "sub", lambda x: {"passive": Passive((PassivePart("series", x),))}),
        ("devices", "mono", lambda x: {"input_max_v": x}),
        ("devices", "mono", lambda x: {"ratings": (Rating(4.0, x),)}),
    ],
)
def test_a_plan_with_what_is_no_number_names_the_place(
    part: str, part_id: str, changes: Callable[[float], dict[str, Any]], bad: float
) -> None:
    plan = changed(good_plan(), part, part_id, **changes(bad))
    with pytest.raises(WiringError) as caught:
        check(plan)
    assert part_id in caught.value.field
    for function in (levels.guide, response.plan_response):
        with pytest.raises(WiringError):
            function(plan)
    with pytest.raises(WiringError):
        carried_levels(plan, plan, [("amp6.1", "amp6.1")])
    assert propose_channels(good_plan(), good_plan().devices, {}, {}).placements


def test_distances_and_air_are_refused_too() -> None:
    with pytest.raises(WiringError, match=r"distances_m\.sub"):
        Context(good_plan(), {"sub": float("nan")})
    with pytest.raises(WiringError, match="air_c"):
        Context(good_plan(), {}, float("nan"))
