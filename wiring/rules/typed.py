"""Rules about what can be typed into a device's own program."""

from collections.abc import Iterator
from typing import Final

from wiring.context import Context, rule
from wiring.errors import WiringError
from wiring.filters.typing_in import Unlike, Untyped, cannot_be_typed, limits_of
from wiring.findings import Figure, Finding
from wiring.names import channel_name, listed

MAKER: Final = "the maker's data of the parts"
MOST_TOLD: Final = 3


@rule("setting-not-typed", "tuning", "caution", sources=(MAKER,))
def setting_not_typed(context: Context) -> Iterator[Finding]:
    """A setting that the program of its device does not take."""
    for channel in context.plan.channels:
        limits = limits_of(context.devices.get(channel.device))
        if limits is None:
            continue
        try:
            found = cannot_be_typed(limits, channel.setting)
        except WiringError as error:
            found = Unlike((), (f"{error.reason[:1].upper()}{error.reason[1:]}.",))
        if not found.figures and not found.problems:
            continue
        name = channel_name(context, channel)
        told = [f"{one.what} {_text(one, one.typed.exact)}" for one in found.figures]
        nearest = [f"{one.what} {one.typed.text} {one.typed.unit}".strip() for one in found.figures]
        wanted = listed(_first(told)) if told else "a filter of this kind"
        do = f"Nearest: {listed(_first(nearest))}. " if nearest else ""
        yield Finding(
            "setting-not-typed",
            "caution",
            f"{name}: its program does not take {wanted}",
            (channel.id,),
            f"{do}{' '.join(found.problems)}".strip(),
            MAKER,
            tuple(_figure(one) for one in found.figures),
        )


def _first(names: list[str]) -> list[str]:
    more = len(names) - MOST_TOLD
    return names if more <= 0 else [*names[:MOST_TOLD], f"{more} more"]


def _text(one: Untyped, value: float) -> str:
    return f"{value:.6g} {one.typed.unit}".strip()


def _figure(one: Untyped) -> Figure:
    return Figure(
        f"{one.what.capitalize()}, off by",
        one.typed.residual,
        one.typed.unit,
        "what can be typed - what is wanted",
        f"{one.typed.text} - {one.typed.exact:.6g}",
        MAKER,
    )
