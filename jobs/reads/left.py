"""What is still to be done on a car whose plan came from a saved setup: one short list."""

from typing import NamedTuple

from jobs.models import Channel, FunctionResult, Job, StepOutcome
from shop.models.products import SOURCE_KINDS


class Left(NamedTuple):
    """One thing to do: how many are open, in words, and the section where it is done."""

    open: int
    words: str
    url_name: str
    anchor: str = ""
    query: str = ""


def what_is_left(job: Job, stops: int, cautions: int) -> list[Left]:
    """What this car asks for by itself, in the order of the work; what is done is left out.

    `stops` and `cautions` are how many findings are open.
    """
    sources = job.parts.filter(product__kind__in=SOURCE_KINDS)
    functions, readings = job.function_checks, job.readings
    unproved = job.channels.filter(
        kind=Channel.Kind.AMPLIFIER, speakers__isnull=False, polarity_proved=None
    )
    untried = FunctionResult.UNTRIED
    lines = [
        Left(int(not job.fit_proofs.exists()), "Prove the fit on this car", "bay_fit", "add-proof"),
        Left(sources.filter(serial="").count(), "Serial numbers", "bay_fit", "serials"),
        Left(functions.filter(before=untried).count(), "Functions before", "bay_before"),
        Left(
            readings.filter(before_value=None, wanted_before=True).count(),
            "Readings before",
            "bay_before",
            "readings",
        ),
        Left(
            unproved.distinct().count(),
            "Wires whose polarity is not proved",
            "bay_channels",
            query="?show=polarity",
        ),
        Left(
            job.channels.filter(
                kind=Channel.Kind.AMPLIFIER, speakers__isnull=False, measured_load_ohm=None
            )
            .distinct()
            .count(),
            "Loads to measure",
            "bay_channels",
            query="?show=polarity",
        ),
        Left(functions.filter(after=untried).count(), "Functions after", "bay_after"),
        Left(readings.filter(after_value=None).count(), "Readings after", "bay_after", "readings"),
        Left(job.panels.filter(state="").count(), "Panels that are off", "bay_fit", "panels"),
        Left(stops, "Stops", "bay_findings"),
        Left(cautions, "Cautions without a reason", "bay_findings"),
        Left(job.steps.filter(outcome=StepOutcome.TO_DO).count(), "Steps", "bay_steps"),
    ]
    return [line for line in lines if line.open]
