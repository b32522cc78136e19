"""Speed of the tuning sums: responses against scipy's own, and a whole car's proposal."""

import subprocess
import sys
from statistics import median
from typing import Final

import numpy as np

from tests.bench.caller import seconds
from tests.wiring.plans import setting_response
from wiring.filters.biquads import section_biquad
from wiring.plan import Section, Setting
from wiring.tuning.fitting import Limits, propose
from wiring.tuning.measurements import Measurement
from wiring.tuning.response import evaluate, log_grid
from wiring.tuning.targets import FLAT

RATE_HZ = 48_000.0
ROUNDS = 15


def response_times() -> tuple[float, float]:
    """Median seconds for 12 channels x 12 sections x 512 points: ours, scipy's sosfreqz."""
    from scipy import signal

    grid = log_grid(512)
    stacks = [
        [
            section_biquad(
                Section("peaking", 40.0 * (1 + n) * (1 + row), 3.0, 1.0 + n / 6), RATE_HZ
            )
            for n in range(12)
        ]
        for row in range(12)
    ]
    tables = [np.array([[b.b0, b.b1, b.b2, 1.0, b.a1, b.a2] for b in stack]) for stack in stacks]
    evaluate(stacks, grid, RATE_HZ)
    times = [
        (
            seconds(lambda: evaluate(stacks, grid, RATE_HZ)),
            seconds(lambda: [signal.sosfreqz(table, grid, fs=RATE_HZ) for table in tables]),
        )
        for _ in range(ROUNDS)
    ]
    ours, theirs = zip(*times, strict=True)
    return median(ours), median(theirs)


FRESH: Final = """
import time
begun = time.process_time()
import numpy as np
loaded = time.process_time()
from wiring.tuning.fitting import Limits, propose
from wiring.tuning.measurements import Measurement
from wiring.tuning.targets import FLAT
hz = np.geomspace(20, 20_000, 1_000)
uneven = 4 * np.sin(3 * np.log(hz)) + np.random.default_rng(1).normal(0, 1, hz.size)
assert propose(Measurement(hz, uneven), FLAT, limits=Limits(count=10)).sections
print(time.process_time() - begun, loaded - begun)
"""


def first_proposal_times() -> tuple[float, float]:
    """Seconds of processor for the first proposal of a fresh process, all it loads counted, and
    of these for numpy alone."""
    runs = [
        subprocess.run([sys.executable, "-c", FRESH], capture_output=True, text=True, check=True)
        for _ in range(3)
    ]
    times = [tuple(map(float, one.stdout.split())) for one in runs]
    whole, floor = min(times)
    return whole, floor


def proposal_time() -> float:
    """Seconds for a proposal of 10 sections on each of 6 channels."""
    random = np.random.default_rng(1)
    grid = np.geomspace(20, 20_000, 1_000)
    cars = []
    for _ in range(6):
        hidden = tuple(
            Section("peaking", float(f), float(g), 1.5)
            for f, g in zip(
                np.exp(random.uniform(4, 9, 10)), random.uniform(-4, 8, 10), strict=True
            )
        )
        levels = 20 * np.log10(np.abs(setting_response(Setting(sections=hidden), grid)))
        cars.append(Measurement(grid, levels + random.normal(0, 1, grid.size)))
    propose(cars[0], FLAT)
    return seconds(lambda: [propose(car, FLAT, limits=Limits(count=10)) for car in cars])
