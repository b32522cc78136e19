"""What a setup that comes from outside must be before it is shown: sense beyond its schema."""

import unicodedata
from collections.abc import Iterator, Mapping
from typing import Any, Final

from jobs import wording
from jobs.setups.document import SetupError, plan_in
from shop.models import ProductKind
from shop.models.vehicles import BodyShape
from wiring import colours
from wiring.errors import WiringError
from wiring.plan import Plan
from wiring.positions import POSITIONS
from wiring.power import conductors, fuses

KEPT_CONTROLS: Final = "\n\t"
TURNERS: Final = frozenset(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A))))
"""Characters that turn the direction of text round (Unicode Standard Annex 9), so that a name
could show as another."""


def strings_in(value: Any) -> Iterator[str]:
    """Every string of plain JSON types, keys too."""
    stack = [value]
    while stack:
        one = stack.pop()
        if isinstance(one, str):
            yield one
        elif isinstance(one, Mapping):
            stack.extend(one.keys())
            stack.extend(one.values())
        elif isinstance(one, list | tuple):
            stack.extend(one)


def check_text(value: Any) -> None:
    """Refuse control characters, direction overrides and lone surrogates. Raises SetupError."""
    for text in strings_in(value):
        for letter in text:
            if letter in KEPT_CONTROLS:
                continue
            if letter in TURNERS or unicodedata.category(letter) in {"Cc", "Cs"}:
                raise SetupError(
                    f"The text beginning “{_shown(text)}” holds a character that cannot be shown."
                )


def _shown(text: str) -> str:
    return "".join(letter for letter in text[:20] if letter.isprintable())


def _check_nodes(plan: Plan) -> None:
    devices = {device.id for device in plan.devices}
    speakers = {speaker.id for speaker in plan.speakers}
    for channel in plan.channels:
        if channel.device not in devices:
            raise SetupError(f"Channel {channel.id} is of {channel.device}, which is not there.")
        if channel.id != wording.mark(channel.device, channel.kind, channel.number):
            raise SetupError(f"Channel {channel.id} is not called after its device and number.")
        if channel.feeds_device and channel.feeds_device not in devices:
            raise SetupError(
                f"Channel {channel.id} feeds {channel.feeds_device}, which is not there."
            )
        if missing := [one for one in channel.speakers if one not in speakers]:
            raise SetupError(f"Channel {channel.id} feeds {missing[0]}, which is not there.")
    for device in plan.devices:
        if device.turn_on_by and device.turn_on_by not in devices:
            raise SetupError(f"{device.id} is turned on by {device.turn_on_by}: not there.")


def _check_units(plan: Plan) -> None:
    for speaker in plan.speakers:
        if speaker.position not in POSITIONS:
            raise SetupError(f"{speaker.id} is at the unknown position “{speaker.position[:30]}”.")
    for channel in plan.channels:
        for lead in (channel.wire.positive, channel.wire.negative) if channel.wire else ():
            for code in (lead.base, lead.stripe):
                if code and code not in colours.NAMES:
                    raise SetupError(
                        f"Channel {channel.id} has the unknown colour “{code}”: "
                        "codes are those of IEC 60757."
                    )
    for run in plan.runs:
        try:
            conductors.size(run.conductor.size)
            if run.fuse is not None:
                fuses.body(run.fuse.body)
        except WiringError as error:
            raise SetupError(f"Run {run.id}: {error}.") from None


def check_sense(document: Mapping[str, Any]) -> None:
    """Names that point nowhere, unknown units, colours, positions and kinds. Raises SetupError."""
    plan = plan_in(document)
    _check_nodes(plan)
    _check_units(plan)
    channels = {channel.id for channel in plan.channels}
    if unknown := [one for one in document["recorded"] if one not in channels]:
        raise SetupError(f"Settings are recorded for {unknown[0][:30]}, which is not there.")
    for key, product in document["products"].items():
        if product["kind"] not in ProductKind.values:
            raise SetupError(f"{key} is of the unknown kind “{product['kind'][:30]}”.")
    if document["vehicle"]["body_shape"] not in BodyShape.values:
        raise SetupError("The car has an unknown body shape.")
    car = document["vehicle"]
    if car["year_to"] is not None and car["year_to"] < car["year_from"]:
        raise SetupError("The last year of the car is before its first.")
    for wire in document["wires"]:
        for code in (wire["base"], wire["stripe"]):
            if code and code not in colours.NAMES:
                raise SetupError(f"The wire list has the unknown colour “{code}”.")
