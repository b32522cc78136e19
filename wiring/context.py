"""What every rule needs of a plan, worked out once, and the registry of rules.

A rule is a function `(Context) -> Iterable[Finding]` under `@rule("stable-name", ...)`. Lookups
are ready in the context; dear results are worked out when first asked for and kept.
"""

from collections.abc import Callable, Iterable, Mapping
from functools import wraps
from typing import Concatenate, Final, Literal, NamedTuple, ParamSpec, TypeVar, cast

from wiring.errors import WiringError, require_finite, require_not_negative
from wiring.findings import Finding, Severity
from wiring.loads import ChannelPower, LoadError, channel_load_ohm, power_into
from wiring.plan import Channel, Device, Plan, Run, Speaker, not_a_number
from wiring.views import View

AIR_C: Final = 20.0
"""Temperature of the air while nobody has said another [degC]."""


T = TypeVar("T")
Asked = ParamSpec("Asked")


def require_figures(plan: Plan, distances_m: Mapping[str, float] | None, air_c: float) -> None:
    """Raise WiringError, naming where it stands, on a number that no sum can answer for."""
    if slip := not_a_number(plan):
        raise WiringError(f"plan{slip.where}", f"{slip.value:g} is no figure of a car")
    for speaker_id, distance in (distances_m or {}).items():
        require_not_negative(f"distances_m.{speaker_id}", distance, "m")
    require_finite("air_c", air_c, "°C")


class Context:
    """A plan with its lookups. Treat every attribute as read only.

    `channels_of_device` and `channels_of_speaker` map an id to its channels in plan order (absent
    id: empty tuple through `.get(id, ())`). `load_ohm[channel.id]` is the load an amplifier
    channel sees, present only where one could be formed; `load_errors[channel.id]` says why not.
    `power_w[channel.id]` is the rated power into that load, where the device has figures.
    `bridged_away` holds (device id, number) of the second channel of each bridged pair.
    `distances_m`, by speaker id, are tape-measured to the seat, in air of `air_c`; where a
    distance is missing, delays are taken to make up for the distances.

    Raises WiringError, naming where it stands, on a number that is none.
    """

    __slots__ = (
        "air_c",
        "bridged_away",
        "channels",
        "channels_of_device",
        "channels_of_speaker",
        "dear",
        "devices",
        "distances_m",
        "load_errors",
        "load_ohm",
        "plan",
        "power_w",
        "runs",
        "speakers",
    )

    def __init__(
        self,
        plan: Plan,
        distances_m: Mapping[str, float] | None = None,
        air_c: float = AIR_C,
    ) -> None:
        require_figures(plan, distances_m, air_c)
        self.plan = plan
        self.distances_m = distances_m or {}
        self.air_c = air_c
        self.devices: dict[str, Device] = {device.id: device for device in plan.devices}
        self.speakers: dict[str, Speaker] = {speaker.id: speaker for speaker in plan.speakers}
        self.channels: dict[str, Channel] = {channel.id: channel for channel in plan.channels}
        self.runs: dict[str, Run] = {run.id: run for run in plan.runs}
        self.channels_of_device: dict[str, list[Channel]] = {}
        self.channels_of_speaker: dict[str, list[Channel]] = {}
        self.load_ohm: dict[str, float] = {}
        self.load_errors: dict[str, LoadError] = {}
        self.power_w: dict[str, ChannelPower] = {}
        self.bridged_away: set[tuple[str, int]] = set()
        self.dear: dict[object, object] = {}
        for channel in plan.channels:
            self.channels_of_device.setdefault(channel.device, []).append(channel)
            for speaker_id in channel.speakers:
                self.channels_of_speaker.setdefault(speaker_id, []).append(channel)
            if channel.kind == "amplifier":
                self._load(channel)

    def once(self, key: object, work: Callable[[], T]) -> T:
        """What `work` gives, worked out when it is first asked for under this key."""
        if key not in self.dear:
            self.dear[key] = work()
        return cast(T, self.dear[key])

    def feeding(self, device_id: str) -> bool:
        """A channel of the device feeds a speaker or another device."""
        channels = self.channels_of_device.get(device_id, ())
        return any(one.speakers or one.feeds_device is not None for one in channels)

    def _load(self, channel: Channel) -> None:
        bridged = channel.bridged_with is not None
        if bridged:
            self.bridged_away.add((channel.device, max(channel.number, channel.bridged_with or 0)))
        if not channel.speakers:
            return
        try:
            load = channel_load_ohm(self.speakers, channel)
        except LoadError as error:
            self.load_errors[channel.id] = error
            return
        self.load_ohm[channel.id] = load
        device = self.devices.get(channel.device)
        if device is not None:
            power = power_into(device, load, bridged)
            if power is not None:
                self.power_w[channel.id] = power


def worked_out_once(
    work: Callable[Concatenate[Context, Asked], T],
) -> Callable[Concatenate[Context, Asked], T]:
    """Let a context keep what the function gives for it, by what else it is asked with in order."""

    @wraps(work)
    def asked(context: Context, /, *args: Asked.args, **kwargs: Asked.kwargs) -> T:
        return context.once((work, args), lambda: work(context, *args, **kwargs))

    return asked


Section = Literal["channels", "power", "tuning"]
"""The part of the bay sheet where a finding is put right."""
Examine = Callable[[Context], Iterable[Finding]]


SECTION_VIEWS: Final[dict[Section, View]] = {
    "channels": "channels",
    "power": "power",
    "tuning": "settings",
}


class Rule(NamedTuple):
    """A registered rule: what it looks for, where it is put right, how grave it can be, and what
    of the plan it is shown."""

    name: str
    section: Section
    severities: tuple[Severity, ...]
    sources: tuple[str, ...]
    examine: Examine
    view: View

    @property
    def what(self) -> str:
        """What the rule looks for: the first line of its function's docstring."""
        return (self.examine.__doc__ or "").strip().partition("\n")[0]


RULES: dict[str, Rule] = {}


def rule(
    name: str,
    section: Section,
    *severities: Severity,
    sources: tuple[str, ...],
    view: View | None = None,
) -> Callable[[Examine], Examine]:
    """Register a rule under its stable name; two rules of one name are an error.

    `severities` are those its findings may have, `sources` where the rule comes from; a finding
    may name its source more closely. It is shown the view of its section, or the one given.
    """

    def register(function: Examine) -> Examine:
        if name in RULES:
            raise ValueError(f"rule {name!r} is registered twice")
        seen = view or SECTION_VIEWS[section]
        RULES[name] = Rule(name, section, severities, sources, function, seen)
        return function

    return register
