"""The rows a plan is made of, read for one job."""

from typing import Final

from jobs.models import (
    Channel,
    ChannelSetting,
    FindingReason,
    FunctionCheck,
    FunctionResult,
    JobPart,
    JobSpeaker,
    PowerRun,
    Reading,
    ReadingKind,
    SeatDistance,
    SupplyFacts,
    TuningKind,
)
from jobs.plan.prepared import Prepared
from shop.models.products import SOURCE_KINDS

FIGURES: Final = (
    "min_load_ohm",
    "min_load_bridged_ohm",
    "efficiency",
    "min_supply_v",
    "sample_rate_hz",
    "delay_step_ms",
    "max_sections",
    "line_output_v",
    "input_sensitivity_min_v",
    "input_sensitivity_max_v",
    "rated_supply_v",
)
"""Figures of a product that a device of the plan takes over as they stand."""

devices: Final = Prepared(
    lambda job: JobPart.objects.filter(job=job, product__kind__in=SOURCE_KINDS).order_by(
        "pk", "product__ratings__bridged", "-product__ratings__load_ohm"
    ),
    "label",
    "turn_on",
    "turn_on_by__label",
    "product__maker",
    "product__name",
    "product__kind",
    "product__amplifier_channels",
    "product__line_outputs",
    "product__line_inputs",
    "product__bridgeable",
    "product__amplifier_class",
    "product__idle_current_a",
    "product__turn_on",
    *(f"product__{name}" for name in FIGURES),
    "product__ratings__load_ohm",
    "product__ratings__power_w",
    "product__ratings__bridged",
)
"""Source parts with their products, one row a rating (or one row without)."""

speakers: Final = Prepared(
    lambda job: JobSpeaker.objects.filter(job=job).order_by("pk"),
    "label",
    "name",
    "kind",
    "position",
    "impedance_ohm",
    "coils",
    "coil_joining",
    "power_w",
    "min_high_pass_hz",
    "min_high_pass_order",
    "max_low_pass_hz",
    "box_limit_hz",
    "part",
)

channels: Final = Prepared(
    lambda job: Channel.objects.filter(job=job).order_by(
        "part__pk", "kind", "number", "speakers__pk"
    ),
    "pk",
    "part__label",
    "kind",
    "number",
    "joining",
    "bridged_with",
    "feeds_part__label",
    "feeds_input",
    "connector",
    "positive_cavity",
    "positive_base",
    "positive_stripe",
    "negative_cavity",
    "negative_base",
    "negative_stripe",
    "polarity_proved",
    "measured_load_ohm",
    "note",
    "speakers__label",
)
"""Channels in the order of the plan, one row a speaker (or one row without)."""

_SETTING_COLUMNS: Final = (
    "channel",
    "high_pass_family",
    "high_pass_order",
    "high_pass_hz",
    "low_pass_family",
    "low_pass_order",
    "low_pass_hz",
    "level_db",
    "delay_ms",
    "inverted",
    "muted",
    "sections",
)


def _settings_of(kind: str) -> Prepared:
    return Prepared(
        lambda job: ChannelSetting.objects.filter(record__job=job, record__kind=kind),
        *_SETTING_COLUMNS,
    )


settings: Final = {kind: _settings_of(kind) for kind in (TuningKind.BEFORE, TuningKind.AFTER)}
"""Settings as found and as left, by kind of record."""

runs: Final = Prepared(
    lambda job: PowerRun.objects.filter(job=job).order_by("pk"),
    "label",
    "kind",
    "from_node",
    "to_node",
    "size",
    "metal",
    "stranding",
    "insulation_c",
    "length_m",
    "parallel",
    "place",
    "bundled",
    "connections",
    "sheathed",
    "fuse_rating_a",
    "fuse_body",
    "fuse_distance_m",
)

supply_readings: Final = Prepared(
    lambda job: Reading.objects.filter(
        job=job, kind__in=(ReadingKind.BATTERY_REST, ReadingKind.KEY_OFF, ReadingKind.CHARGING)
    ).order_by("order", "pk"),
    "kind",
    "before_value",
    "after_value",
)

faults_after: Final = Prepared(
    lambda job: FunctionCheck.objects.filter(
        job=job, after__in=(FunctionResult.FAULT, FunctionResult.NOT_FITTED)
    ).order_by("order", "pk"),
    "pk",
    "name",
    "before",
    "before_note",
    "after",
    "after_note",
)
"""Functions that do not work after the work, or are no longer there."""

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

supply: Final = Prepared(
    lambda job: SupplyFacts.objects.filter(job=job),
    "battery_ah",
    "battery_chemistry",
    "internal_resistance_mohm",
    "alternator_a",
    "alternator_idle_a",
    "base_load_a",
)
