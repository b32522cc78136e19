"""The rows a plan is made of, read for one job."""

from typing import Final

from django.db.models import Q

from jobs.models import (
    Channel,
    ChannelSetting,
    EnteredSetting,
    FindingReason,
    FunctionCheck,
    FunctionResult,
    Job,
    JobPart,
    JobSpeaker,
    PowerRun,
    Reading,
    ReadingKind,
    SeatDistance,
    SupplyFacts,
    TuningKind,
)
from jobs.plan.columns import CHANNEL, DEVICE, RUN, SETTING, SPEAKER, SUPPLY_COLUMNS
from shop.models.products import LIMIT_FIELDS, SOURCE_KINDS, SUPPLY_KINDS
from shop.prepared import Prepared

devices: Final = Prepared(
    lambda job: JobPart.objects.filter(
        job=job, product__kind__in=SOURCE_KINDS | SUPPLY_KINDS
    ).order_by("pk", "product__ratings__bridged", "-product__ratings__load_ohm"),
    "label",
    "turn_on",
    "turn_on_by__label",
    "input_from",
    "digital_input",
    "input_from_v",
    "product__maker",
    "product__name",
    "product__kind",
    "product__bridgeable",
    "product__built_in_fuses",
    "product__battery_chemistry",
    "product__turn_on",
    *(f"product__{name}" for name in (*DEVICE.names, *LIMIT_FIELDS)),
    "product__ratings__load_ohm",
    "product__ratings__power_w",
    "product__ratings__bridged",
)
"""Source parts with their products, one row a rating (or one row without)."""

WRITTEN_OVER: Final = ("firmware_before", "data_file", "backup", "no_backup")
COUNTED_INPUTS: Final = (
    "speaker_inputs", "optical_inputs", "coaxial_inputs", "network_inputs",
)  # fmt: skip
speakers: Final = Prepared(
    lambda job: JobSpeaker.objects.filter(job=job).order_by("pk"),
    "label",
    "part",
    "passive",
    *SPEAKER.names,
)

channels: Final = Prepared(
    lambda job: Channel.objects.filter(job=job).order_by(
        "part__pk", "kind", "number", "speakers__pk"
    ),
    "pk",
    "part__label",
    "feeds_part__label",
    *CHANNEL.names,
    "speakers__label",
)
"""Channels in the order of the plan, one row a speaker (or one row without)."""


def _settings_of(kind: str) -> Prepared:
    return Prepared(
        lambda job: ChannelSetting.objects.filter(record__job=job, record__kind=kind),
        "channel",
        "sections",
        *SETTING.names,
    )


settings: Final = {kind: _settings_of(kind) for kind in (TuningKind.BEFORE, TuningKind.AFTER)}
"""Settings as found and as left, by kind of record."""

runs: Final = Prepared(
    lambda job: PowerRun.objects.filter(job=job).order_by("pk"),
    "label",
    *RUN.names,
)

supply_readings: Final = Prepared(
    lambda job: Reading.objects.filter(
        job=job, kind__in=(ReadingKind.BATTERY_REST, ReadingKind.KEY_OFF, ReadingKind.CHARGING)
    ).order_by("order", "pk"),
    "kind",
    "before_value",
    "after_value",
)

_SAID_OF_FUNCTIONS: Final = ("_note", "_heard_from", "_level")

faults_after: Final = Prepared(
    lambda job: FunctionCheck.objects.filter(
        Q(after__in=(FunctionResult.FAULT, FunctionResult.NOT_FITTED))
        | ~Q(after_heard_from="")
        | ~Q(after_level=""),
        job=job,
    ).order_by("order", "pk"),
    "pk",
    "name",
    *(f"{phase}{of}" for phase in ("before", "after") for of in ("", *_SAID_OF_FUNCTIONS)),
)
"""Functions that do not work after the work or are no longer there, and signals of which is said
how they are heard then."""

beside_the_plan: Final = Prepared(
    lambda job: Job.objects.filter(pk=job).order_by("parts__pk"),
    "fault_codes__before_codes",
    "fault_codes__after_codes",
    "parts__label",
    "parts__input_from",
    "parts__digital_input",
    *(f"parts__{name}" for name in ("firmware", "beyond", *WRITTEN_OVER)),
    *(f"parts__product__{name}" for name in COUNTED_INPUTS),
)
"""What findings rest on that the plan has not: fault codes as read, and of each part the signal it
takes with its inputs on record, whether it was written over and what its program shows beyond the
list; one row a part, or one."""

read_back: Final = Prepared(
    lambda job: EnteredSetting.objects.filter(channel__job=job),
    "channel__part__label",
    "channel__kind",
    "channel__number",
    "what",
    "typed",
    "shown",
)
"""What was typed into programs and what these show, one row a setting."""

reasoned: Final = Prepared(lambda job: FindingReason.objects.filter(job=job), "fingerprint")
"""Fingerprints of findings that were given a reason."""

seats: Final = Prepared(
    lambda job: SeatDistance.objects.filter(
        seat__job=job, seat__used=True, seat__weight__gt=0, distance_m__isnull=False
    ),
    "speaker__label",
    "distance_m",
    "seat__weight",
    "seat__job__tuning_facts__air_c",
)
"""Distances from speakers to the seats that count, and the air they were typed with."""

places: Final = Prepared(
    lambda job: Channel.objects.filter(job=job), "pk", "kind", "number", "part", "part__label"
)
"""What each channel is called."""

loads: Final = Prepared(
    lambda job: (
        Channel.objects.filter(job=job, kind=Channel.Kind.AMPLIFIER, speakers__isnull=False)
        .distinct()
        .order_by("part__label", "number")
    ),
    "kind",
    "number",
    "part__label",
    "measured_load_ohm",
)
"""Amplifier channels that feed a speaker, and the load that was measured."""

supply: Final = Prepared(
    lambda job: SupplyFacts.objects.filter(job=job).order_by("job__recordings__pk"),
    *SUPPLY_COLUMNS,
    "job__recordings__phase",
    "job__recordings__polarity",
    "job__recordings__places",
)
"""What is known of the supply, and beside it what each recording says of polarities and places, the
oldest first: one row a recording, or one."""
