"""Speed of measuring: twelve channels from their recordings to responses, arrivals and polarity."""

from statistics import median

from tests.bench.caller import seconds
from tests.wiring.measure.cabins import FULL, MIDRANGE, RATE_HZ, SUBWOOFER, TWEETER, recorded
from wiring.measure.signals import SignalSpec
from wiring.measure.sounds import flac_of
from wiring.measure.take import analyse

EACH = 3
ROUNDS = 3
SPEC = SignalSpec(channels=1)


def measuring_time() -> tuple[float, int]:
    """Median seconds for twelve channels one after the other, as a request does them; bytes of
    the largest recording as FLAC."""
    recordings = [
        recorded(SPEC, [one], drift_ppm=40.0) for one in (FULL, TWEETER, MIDRANGE, SUBWOOFER)
    ]
    analyse(SPEC, recordings[0], RATE_HZ)
    times = [
        seconds(lambda: [analyse(SPEC, each, RATE_HZ) for each in recordings * EACH])
        for _ in range(ROUNDS)
    ]
    return median(times), max(len(flac_of(each, RATE_HZ)) for each in recordings)
