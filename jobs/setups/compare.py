"""A saved setup beside a job: one item for each thing that could be taken over. Writes nothing."""

from collections.abc import Mapping
from typing import Any

from jobs.models import Job, OtherSetting, SavedSetup, TuningKind
from jobs.plan.stock import stock_of
from jobs.setups import words as words
from jobs.setups.channels import channel_item, is_used, setting_item
from jobs.setups.document import plan_in, upgrade
from jobs.setups.facts import distance_items, fact_items, lead_items, panel_items
from jobs.setups.items import Comparison, Item
from jobs.setups.match import DeviceMatch, SpeakerMatch, State, match
from jobs.setups.power import run_item, supply_items, turn_on_items
from jobs.wording import Local
from shop.models import Shop


def _device_item(one: DeviceMatch) -> Item:
    device = one.device
    return Item(
        f"device:{device.id}",
        "parts",
        device.id,
        words.device(device),
        words.device_part(one.part) if one.part else "nothing",
        one.state,
        one.why,
        result=f"{one.part.label} of this job stands for it" if one.part else "",
    )


def _speaker_item(one: SpeakerMatch) -> Item:
    here, result = "nothing", ""
    if one.placed is not None:
        here = f"{one.placed.label} {words.speaker_row(one.placed)}"
        result = f"{one.placed.label} of this job stands for it"
    elif one.part is not None:
        here = f"{one.part.label} {one.part.product}, not placed yet"
        result = f"{one.part.label} {one.part.product} is put there"
    return Item(
        f"speaker:{one.speaker.id}",
        "speakers",
        one.speaker.id,
        words.speaker(one.speaker),
        here,
        one.state,
        one.why,
        extra=one,
        result=result,
    )


def _other_items(document: Mapping[str, Any], rows: Mapping[str, OtherSetting]) -> list[Item]:
    items = []
    for one in document["other_settings"]:
        row = rows.get(one["name"])
        here = row.after if row else ""
        state: State = "same" if here == one["after"] else "differs" if here else "new"
        why = ("it has another value here",) if state == "differs" else ()
        items.append(
            Item(
                f"other:{one['name']}",
                "other",
                one["name"],
                one["after"],
                here or "nothing",
                state,
                why,
                (),
                row.pk if row else None,
                {"after": one["after"]},
            )
        )
    return items


def compare(setup: SavedSetup, job: Job, document: Mapping[str, Any] | None = None) -> Comparison:
    """Every item of a setup beside a job. Raises SetupError for a document it cannot read."""
    document = upgrade(setup.document if document is None else document)
    plan = plan_in(document)
    matches = match(document, plan, job)
    rows = list(
        job.channels.select_related("part__product", "feeds_part").prefetch_related("speakers")
    )
    after = job.tuning_records.filter(kind=TuningKind.AFTER).first()
    now = {row.channel_id: row for row in after.settings.all()} if after else {}
    runs = list(job.runs.all())
    own = stock_of(job)
    recorded = set(document["recorded"])
    shop = Shop.objects.current()
    local = Local(shop.units, shop.time_zone)
    items = [
        *map(_device_item, matches.devices.values()),
        *fact_items(document, matches, job),
        *map(_speaker_item, matches.speakers.values()),
        *sorted(
            (channel_item(one, matches, rows, local) for one in plan.channels if is_used(one)),
            key=lambda item: any(need.startswith("channel:") for need in item.needs),
        ),
        *(setting_item(one, matches, rows, now) for one in plan.channels if one.id in recorded),
        *supply_items(plan, job),
        *turn_on_items(plan, matches),
        *(run_item(run, matches, runs, local, own) for run in plan.runs),
        *distance_items(document, matches, job, local),
        *lead_items(document, job),
        *panel_items(document, job),
        *_other_items(document, {row.name: row for row in job.other_settings.all()}),
    ]
    return Comparison(setup, matches, tuple(items))
