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
        told = [_at(one, f"{one.typed.exact:.6g}") for one in found.figures]
        nearest = [_at(one, one.typed.text) for one in found.figures]
        wanted = listed(_first(told)) if told else "a filter of this kind"
        problems = " ".join(found.problems)
        yield Finding(
            "setting-not-typed",
            "caution",
            f"{name}: its program does not take {wanted}",
            (channel.id,),
            f"Nearest: {listed(_first(nearest))}." if nearest else problems,
            MAKER,
            tuple(_figure(one) for one in found.figures),
            problems if nearest else "",
        )


def _first(names: list[str]) -> list[str]:
    more = len(names) - MOST_TOLD
    return names if more <= 0 else [*names[:MOST_TOLD], f"{more} more"]


def _at(one: Untyped, value: str) -> str:
    return (
        f"{one.what} set to {value} {one.typed.unit}"
        if one.typed.unit
        else f"{one.what} set to {value}"
    )


def _figure(one: Untyped) -> Figure:
    return Figure(
        f"{one.what.capitalize()}, off by",
        one.typed.residual,
        one.typed.unit,
        "what can be typed - what is wanted",
        f"{one.typed.text} - {one.typed.exact:.6g}",
        MAKER,
    )
