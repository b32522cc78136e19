"""The power plan of a saved setup beside a job's. Nothing here writes."""

from typing import Any

from jobs import wording
from jobs.models import Job, PowerRun, SupplyFacts
from jobs.plan.columns import RUN, supply_values
from jobs.plan.stock import NO_STOCK, Stock, as_thick
from jobs.setups import words as words
from jobs.setups.items import Item, blocked_by, unlike
from jobs.setups.match import Matches, State
from jobs.wording import Local
from wiring import plan as doc


def run_values(run: doc.Run, matches: Matches) -> dict[str, Any]:
    """A run of a plan as the fields of a job's run, its nodes named as in the job."""
    return {
        **RUN.write(run),
        "from_node": matches.node(run.from_node) or run.from_node,
        "to_node": matches.node(run.to_node) or run.to_node,
    }


def _own_cable(values: dict[str, Any], own: Stock) -> tuple[dict[str, Any], str]:
    """The cable of the job's parts for a run, and what is other about it.

    The setup's size where the job has it, else the next thicker one: a thinner cable is never
    chosen here.
    """
    if not own.cables:
        return {}, ""
    enough = as_thick(own, values["size"])
    if not enough:
        return {}, (
            f"no cable among the job's parts is as thick as {values['size']}: "
            "order one or plan this run anew"
        )
    cable = enough[0]
    taken: dict[str, Any] = {"size": cable.size, "metal": cable.metal}
    if cable.insulation_c is not None:
        taken["insulation_c"] = cable.insulation_c
    told = "" if cable.size == values["size"] else f"the job's own cable is {cable.name}"
    return taken, told


def _own_fuse(values: dict[str, Any], end: str, own: Stock) -> tuple[dict[str, Any], str]:
    """The body of the job's own fuse of the same rating, and what is other about it."""
    rating_a = values[f"{end}fuse_rating_a"]
    if not own.fuses or not rating_a:
        return {}, ""
    fitting = [one for one in own.fuses if one.rating_a == rating_a]
    if not fitting:
        rating = wording.quantity(rating_a, "A")
        return {}, f"the job has no fuse of {rating} among its parts"
    bodies = {one.body for one in fitting}
    if values[f"{end}fuse_body"] in bodies:
        return {}, ""
    return {f"{end}fuse_body": fitting[0].body}, f"the job's own fuse is {fitting[0].name}"


def _with_own(values: dict[str, Any], own: Stock) -> tuple[dict[str, Any], tuple[str, ...]]:
    """A run as the job's own cable and fuses make it, and each thing that is other."""
    taken, *told = dict(values), ""
    for more, why in (
        _own_cable(values, own),
        _own_fuse(values, "", own),
        _own_fuse(values, "far_", own),
    ):
        taken |= more
        told.append(why)
    return taken, tuple(filter(None, told))


def run_item(
    run: doc.Run, matches: Matches, rows: list[PowerRun], local: Local, own: Stock = NO_STOCK
) -> Item:
    """One run of the setup's power plan, of the job's `own` cable and fuses where it has some; the
    job's run is the one between the same nodes."""
    planned = run_values(run, matches)
    values, other = _with_own(planned, own)
    needs = tuple(f"device:{n}" for n in (run.from_node, run.to_node) if n in matches.devices)
    key, told = f"run:{run.id}", words.run(planned, local)
    result = words.run(values, local) if values != planned else ""
    if blocked := blocked_by(needs, matches):
        return Item(key, "power", run.id, told, "nothing", "impossible", blocked, needs)
    row = next(
        (
            one
            for one in rows
            if all(getattr(one, n) == values[n] for n in ("kind", "from_node", "to_node"))
        ),
        None,
    )
    why = (*other, *unlike(needs, matches))
    if row is None:
        state: State = "differs" if why else "new"
        nothing = "nothing"
        return Item(
            key, "power", run.id, told, nothing, state, why, needs, None, values, result=result
        )
    here = {name: getattr(row, name) for name in values}
    if here == values:
        return Item(key, "power", run.id, told, words.run(here, local), "same", (), needs, row.pk)
    why = (f"{row.label} already runs there", *why)
    now = words.run(here, local)
    return Item(
        key, "power", run.id, told, now, "differs", why, needs, row.pk, values, result=result
    )


def supply_items(plan: doc.Plan, job: Job) -> list[Item]:
    """Battery and alternator, where the setup knows them."""
    supply = plan.supply
    values = supply_values(supply)
    if not _known(values):
        return []
    row = SupplyFacts.objects.filter(job=job).first()
    if row is None:
        return []
    here = {name: getattr(row, name) for name in values}
    state: State = "differs" if _known(here) else "new"
    why = ("battery or alternator is entered already",) if state == "differs" else ()
    if here == values:
        state, why = "same", ()
    told, now = words.supply(values), words.supply(here)
    title = "Battery and alternator"
    return [Item("supply:1", "power", title, told, now, state, why, (), row.pk, values)]


def _known(values: dict[str, Any]) -> bool:
    """Whether anything is known of a supply that a car does not have of itself."""
    battery = ("battery_ah", "reserve_min", "alternator_a")
    feed = ("factory_feed_fuse_a", "factory_feed_limit_a")
    return values["system_v"] != 12 or any(values[name] is not None for name in (*battery, *feed))


def turn_on_items(plan: doc.Plan, matches: Matches) -> list[Item]:
    """How each device is woken and by which other, and the signal it takes from the car."""
    items = []
    for device in plan.devices:
        one = matches.devices[device.id]
        if one.part is None:
            continue
        needs: tuple[str, ...] = (f"device:{device.id}",)
        by = matches.devices.get(device.turn_on_by or "")
        if device.turn_on_by and (by is None or by.part is None):
            continue
        if by is not None:
            needs += (f"device:{device.turn_on_by}",)
        values = {
            "turn_on": device.turn_on,
            "turn_on_by": by.part if by else None,
            "input_from": device.input_from,
            "digital_input": device.digital_input,
            "input_from_v": device.input_from_v,
        }
        part = one.part
        here = {name: getattr(part, name) for name in values}
        untouched = (
            part.turn_on == part.product.turn_on and part.turn_on_by is None and not part.input_from
        )
        why: tuple[str, ...] = unlike(needs, matches)
        if not untouched:
            why = ("how it is turned on is entered already", *why)
        state: State = "same" if here == values else "differs" if why else "new"
        items.append(
            Item(
                f"turn_on:{device.id}",
                "power",
                f"{device.id} turned on by",
                words.turn_on(values),
                words.turn_on(here),
                state,
                () if state == "same" else why,
                needs,
                part.pk,
                values,
            )
        )
    return items
