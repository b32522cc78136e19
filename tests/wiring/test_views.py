"""What a rule found is kept for what it was shown: no rule reads what its view leaves out."""

import json
from typing import Any

from msgspec import defstruct

from tests.wiring.told import CLEAN, HARD
from wiring.context import RULES, Context
from wiring.plan import Channel, Plan, from_builtins
from wiring.views import LEFT_OUT, WITH_RUNS, View, shown

VIEWS: tuple[View, ...] = tuple(LEFT_OUT)


def veiled(struct: type[Any], hidden: frozenset[str]) -> type[Any]:
    """The same part of a plan, of which some fields may not be read."""

    def read(self: Any, name: str) -> Any:
        assert name not in hidden, f"{name} is read, and the rule's view leaves it out"
        return object.__getattribute__(self, name)

    space = {"__getattribute__": read}
    return defstruct(struct.__name__, [], bases=(struct,), namespace=space, frozen=True)


def under(part: type[Any], real: Any, **instead: Any) -> Any:
    return part(**{name: getattr(real, name) for name in real.__struct_fields__} | instead)


def context_of(plan: Plan, distances_m: dict[str, float] | None, view: View) -> Context:
    """The context of a view in which reading what is left out fails."""
    context = Context(shown(plan, view), distances_m)
    channel = veiled(Channel, frozenset(LEFT_OUT[view]))
    channels = {one.id: under(channel, one) for one in context.plan.channels}
    whole = veiled(Plan, frozenset() if view in WITH_RUNS else frozenset({"runs"}))
    context.plan = under(whole, context.plan, channels=tuple(channels.values()))
    context.channels = channels
    for kept in (context.channels_of_device, context.channels_of_speaker):
        for key, of in kept.items():
            kept[key] = [channels[one.id] for one in of]
    return context


def test_a_rule_reads_its_view_alone() -> None:
    for path in (*HARD, *CLEAN):
        case = json.loads(path.read_text(encoding="utf-8"))
        plan, distances_m = from_builtins(case["plan"]), case.get("distances_m")
        for view in VIEWS:
            context = context_of(plan, distances_m, view)
            for each in RULES.values():
                if each.view == view:
                    list(each.examine(context))
