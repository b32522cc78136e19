"""The rows of the channel grid: speakers, wires or settings of one channel."""

from typing import Any, Final

from django.template.loader import render_to_string
from django.utils.translation import gettext

from jobs import wording
from jobs.forms.bay.cells import Cleaned
from jobs.forms.bay.fields import (
    cable_fields,
    partners,
    proof_fields,
    setting_fields,
    speaker_fields,
    wire_fields,
)
from jobs.models import Channel, ChannelSetting, JobPart, TuningKind
from jobs.plan import rows as plan_rows
from jobs.plan.power import doc
from jobs.plan.tuning import Kin, kin_of
from jobs.services.saving import FieldClash
from jobs.templatetags.bay import cell
from jobs.templatetags.photos import photo_button, photo_subject
from jobs.views.bay import parts
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.places import anchor
from jobs.views.bay.rows import cell_row
from shop.drawn import drawn
from shop.kept_words import told
from shop.wording import number, with_unit

GROUPS: Final = ("speakers", "wires", "polarity", "cables", "settings")


def speaker_words(speaker: doc.Speaker) -> str:
    """ "Tweeter, front pillar left"."""
    return wording.speakers([speaker])


def what_it_feeds(plan: doc.Plan, channel_id: str) -> str:
    """What a channel feeds, in words for the row's head."""
    channel = next((one for one in plan.channels if one.id == channel_id), None)
    if channel is None:
        return ""
    if channel.feeds_device:
        fed = wording.into_input(channel.feeds_device, channel.feeds_input)
        return gettext("to %(input)s") % {"input": told(fed)}
    speakers = [one for one in plan.speakers if one.id in channel.speakers]
    if not speakers:
        for other in plan.channels:
            if other.device == channel.device and other.bridged_with == channel.number:
                return gettext("bridged with %(what)s") % {"what": other.number}
    return told(wording.speakers(speakers))


def speakers_on(plan: doc.Plan, channel_id: str) -> list[doc.Speaker]:
    """The speakers a channel feeds, as the plan has them."""
    channel = next((one for one in plan.channels if one.id == channel_id), None)
    ids = channel.speakers if channel is not None else ()
    return [speaker for speaker in plan.speakers if speaker.id in ids]


def _places(sheet: BaySheet) -> list[Any]:
    """What each channel of the job is called by, read once a request."""
    kept: list[Any] | None = sheet.__dict__.get("_places")
    if kept is None:
        kept = sheet.__dict__["_places"] = plan_rows.places(sheet.job.pk)
    return kept


def named(sheet: BaySheet, channel_pk: int) -> Channel:
    """A channel with no more than what it is called by. Raises DoesNotExist."""
    for row in _places(sheet):
        if row.pk == channel_pk:
            part = JobPart(pk=row.part, label=row.part_label)
            return Channel(pk=row.pk, job=sheet.job, part=part, kind=row.kind, number=row.number)
    raise Channel.DoesNotExist(f"The job has no channel {channel_pk}.")


def head(sheet: BaySheet, channel: Channel, *, photo: bool = True) -> dict[str, Any]:
    """What the first cell of every group shows. `photo`: the way to the channel's photos too."""
    facts = _facts(sheet, channel)
    under = facts["feeds"] or (gettext("line output") if facts["line"] else "")
    return {**facts, "name": _name(sheet, channel, facts, under, photo)}


def _facts(sheet: BaySheet, channel: Channel) -> dict[str, Any]:
    place = channel.plan_id
    return {
        "sheet": sheet,
        "channel": channel,
        "place": place,
        "anchor": anchor(place),
        "feeds": what_it_feeds(sheet.plan, place),
        "mark": parts.mark_html(sheet, place),
        "line": channel.kind == Channel.Kind.LINE,
    }


def _name(
    sheet: BaySheet, channel: Channel, facts: dict[str, Any], under: str, photo: bool = True
) -> str:
    """What a channel is called, what is said under it, what is open there and its photos."""
    place = facts["place"]
    return drawn(
        "bay/channel_name.html",
        place=place,
        under=under,
        mark=facts["mark"],
        photo=photo_button(sheet.job, photo_subject(channel), place) if photo else "",
    )


def speakers_html(
    sheet: BaySheet,
    channel: Channel,
    inputs: list[JobPart],
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    *,
    oob: bool = False,
) -> str:
    """What the channel feeds, how it is joined, and its load. `inputs` take line outputs."""
    on = speakers_on(sheet.plan, channel.plan_id)
    fields = speaker_fields(channel, inputs, len(on))
    row = cell_row(channel, fields, cleaned, clashes or [], channel.plan_id)
    facts = _facts(sheet, channel)
    line = facts["line"]
    under = gettext("line output") if line else "" if on else facts["feeds"]
    load = sheet.loads.get(channel.plan_id)
    behind = any(one.passive is not None for one in on)
    cells = drawn(
        "bay/channel_cells.html",
        place=facts["place"],
        line=line,
        can_edit=sheet.can_edit,
        speaker_url=sheet.url("bay_channel_speaker", channel.pk),
        loads_url=sheet.url("bay_loads", channel.pk) if load else "",
        on=tuple(map(_chip, on)),
        load=with_unit(number(load.value, figures=3), "Ω") if load else "",
        feeds_part=cell(row, "feeds_part") if line else "",
        feeds_input=cell(row, "feeds_input") if line else "",
        joining=cell(row, "joining") if len(on) > 1 and not line else "",
        bridged_with=cell(row, "bridged_with") if partners(channel) and not line else "",
        stated=cell(row, "stated_load_ohm") if behind and not line else "",
        output_limit=cell(row, "output_limit_v"),
    )
    return render_to_string(
        "bay/channel_row.html",
        {
            **facts,
            "row": row,
            "name": _name(sheet, channel, facts, under),
            "cells": cells,
            "save_url": sheet.url("bay_channel_save", channel.pk),
            "oob": oob,
        },
    )


def _chip(speaker: doc.Speaker) -> tuple[str, str, str, str, bool, str]:
    """What is said of a speaker on its channel: its id, kind, place in words and as its position,
    whether it is the car's own, and what stands passively before it."""
    kind, _, where = speaker_words(speaker).partition(", ")
    behind = wording.passive(speaker.passive) if speaker.passive is not None else ""
    return speaker.id, kind, where, speaker.position, speaker.factory, behind


def wires_html(
    sheet: BaySheet,
    channel: Channel,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    *,
    oob: bool = False,
) -> str:
    """Plug, cavities, colours and polarity of the channel's wire."""
    return render_to_string(
        "bay/wire_row.html",
        {
            **head(sheet, channel, photo=False),
            "row": cell_row(channel, wire_fields(), cleaned, clashes or [], channel.plan_id),
            "oob": oob,
        },
    )


def proof_html(
    sheet: BaySheet,
    channel: Channel,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """What is proved of one wire in the car: its polarity by one tap, its load by the meter."""
    row = cell_row(channel, proof_fields(), cleaned, clashes or [], channel.plan_id)
    load, measured = sheet.loads.get(channel.plan_id), channel.measured_load_ohm
    return render_to_string(
        "bay/proof_row.html",
        {
            **head(sheet, channel),
            "row": row,
            "proved": row.value("polarity_proved"),
            "load": load,
            "apart": wording.apart(100 * measured / load.value if load and measured else None),
        },
    )


def cable_html(
    sheet: BaySheet,
    channel: Channel,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
) -> str:
    """The speaker cable of an amplifier channel, and what it takes of the level."""
    fields = cable_fields(sheet.shop)
    return render_to_string(
        "bay/cable_row.html",
        {
            **head(sheet, channel),
            "row": cell_row(channel, fields, cleaned, clashes or [], channel.plan_id),
            "facts": sheet.cables.get(channel.plan_id),
        },
    )


def kin(sheet: BaySheet) -> Kin:
    """Which channels are each other's other side, worked out once a request."""
    kept: Kin | None = sheet.__dict__.get("_kin")
    if kept is None:
        kept = sheet.__dict__["_kin"] = kin_of(sheet.plan)
    return kept


def channel_keys(sheet: BaySheet) -> dict[str, int]:
    """The key of each channel of the job by its id in the plan, read once a request."""
    kept: dict[str, int] | None = sheet.__dict__.get("_channel_keys")
    if kept is None:
        rows = _places(sheet)
        kept = {wording.mark(row.part_label, row.kind, row.number): row.pk for row in rows}
        sheet.__dict__["_channel_keys"] = kept
    return kept


def settings_html(
    sheet: BaySheet,
    channel: Channel,
    kind: str,
    setting: ChannelSetting | None,
    cleaned: Cleaned | None = None,
    clashes: list[FieldClash] | None = None,
    *,
    paired: bool = False,
    oob: bool = False,
) -> str:
    """The settings of the channel in the record `kind`; `paired`: before stands above after."""
    row = setting or ChannelSetting()
    name = f"{channel.plan_id} {told(kind)}" if paired else channel.plan_id
    other = kin(sheet).other_side.get(channel.plan_id) if kind == TuningKind.AFTER else None
    other_pk = channel_keys(sheet).get(other) if other else None
    tail = drawn(
        "bay/setting_tail.html",
        kind=str(kind),
        name=name,
        place=channel.plan_id,
        sections=len(row.sections),
        can_edit=sheet.can_edit,
        sections_url=sheet.url("bay_sections", kind, channel.pk),
        copy_url=sheet.url("bay_setting_copy", channel.pk),
    )
    facts = _facts(sheet, channel) if paired else head(sheet, channel)
    if paired:
        facts["name"] = drawn(
            "bay/setting_name.html",
            **{one: facts[one] for one in ("place", "feeds", "mark")},
            kind=str(kind),
        )
    return render_to_string(
        "bay/setting_row.html",
        {
            **facts,
            "row": cell_row(row, setting_fields(), cleaned, clashes or [], name),
            "kind": kind,
            "paired": paired,
            "oob": oob,
            "tail": tail,
            "save_url": sheet.url("bay_setting_save", kind, channel.pk),
            "other_url": sheet.url("bay_setting_save", kind, other_pk) if other_pk else "",
        },
    )
