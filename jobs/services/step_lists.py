"""The shop's step lists: made by a manager, copied by jobs, changing none of them.

The shop's log tells of a list as a whole: each change of a step is a change of its kind of work.
"""

from collections.abc import Iterable
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lists.steps import COMEBACK, USUAL_LIST
from jobs.models import StepTemplate, WorkKind
from jobs.services.steps import copy_words
from shop.models import StaffMember
from shop.services import events


@transaction.atomic
def start_with_usual(actor: StaffMember | None) -> int:
    """Make the usual kinds of work that the shop does not have yet. Returns how many were new."""
    have = set(WorkKind.objects.values_list("name", flat=True))
    last = WorkKind.objects.aggregate(last=Max("order"))["last"] or 0
    new = [entry for entry in USUAL_LIST if entry[0] not in have]
    for place, (name, note, steps) in enumerate(new, 1):
        kind = WorkKind.objects.create(
            name=name, note=note, order=last + place, for_comebacks=name == COMEBACK
        )
        made = StepTemplate.objects.bulk_create(
            StepTemplate(kind=kind, order=order, **step.fields())
            for order, step in enumerate(steps)
        )
        events.log_saved(None, kind, actor, after={"steps": made})
    return len(new)


def _renumber(steps: Iterable[StepTemplate]) -> None:
    for order, step in enumerate(steps):
        if step.order != order:
            StepTemplate.objects.filter(pk=step.pk).update(order=order)


def _log_order(
    kind: WorkKind, before: list[StepTemplate], after: list[StepTemplate], actor: StaffMember
) -> None:
    if after != before:
        events.log(actor, "workkind.reordered", kind, {"steps": before}, {"steps": after})


@transaction.atomic
def add_at_end(step: StepTemplate, actor: StaffMember) -> StepTemplate:
    """Save a new step as the last of its list."""
    kind = WorkKind.objects.select_for_update().get(pk=step.kind_id)
    last = kind.steps.aggregate(last=Max("order"))["last"]
    step.order = 0 if last is None else last + 1
    step.save()
    events.log(actor, "workkind.step_added", kind, after=_words(step))
    return step


def _words(step: StepTemplate) -> dict[str, Any]:
    words = events.facts_of(step)
    del words["kind"]
    return words


@transaction.atomic
def change_step(step: StepTemplate, actor: StaffMember) -> StepTemplate:
    """Save what a step asks for; jobs that copied it keep theirs."""
    old = events.standing(step)
    step.save()
    if old is not None:
        before, after = events.differences(old, step)
        if after:
            before, after = {"step": old, **before}, {"step": step, **after}
            events.log(actor, "workkind.step_changed", step.kind, before, after)
    return step


@transaction.atomic
def move_step(pk: int, by: int, actor: StaffMember) -> StepTemplate:
    """Move a step up (-1) or down (+1) in its list; the ends stay where they are."""
    step = StepTemplate.objects.select_related("kind").get(pk=pk)
    kind = WorkKind.objects.select_for_update().get(pk=step.kind_id)
    steps = list(kind.steps.all())
    place = next(index for index, one in enumerate(steps) if one.pk == pk)
    target = min(max(place + by, 0), len(steps) - 1)
    before = list(steps)
    steps.insert(target, steps.pop(place))
    _renumber(steps)
    _log_order(kind, before, steps, actor)
    return step


@transaction.atomic
def order_steps(kind_pk: int, keys: list[int], actor: StaffMember) -> None:
    """Put the steps of a list in the order of `keys`.

    Raises ChangedMeanwhile when the list has other steps by now.
    """
    kind = WorkKind.objects.select_for_update().get(pk=kind_pk)
    steps = {step.pk: step for step in kind.steps.all()}
    if sorted(keys) != sorted(steps):
        raise ChangedMeanwhile(
            gettext("Somebody changed this list meanwhile: it is shown as it stands.")
        )
    _renumber(steps[key] for key in keys)
    _log_order(kind, list(steps.values()), [steps[key] for key in keys], actor)


@transaction.atomic
def remove_step(pk: int, actor: StaffMember) -> StepTemplate:
    """Take a step out of its list; jobs that copied it keep theirs."""
    step = StepTemplate.objects.select_related("kind").get(pk=pk)
    events.log(actor, "workkind.step_removed", step.kind, before=_words(step))
    step.delete()
    return step


@transaction.atomic
def copy_steps(kind_pk: int, other: WorkKind, actor: StaffMember) -> int:
    """Add the steps of another kind at the end of this one, without those it has already."""
    kind = WorkKind.objects.select_for_update().get(pk=kind_pk)
    have = set(kind.steps.values_list("text", flat=True))
    first = (kind.steps.aggregate(last=Max("order"))["last"] or 0) + 1
    new = [words for words in copy_words(other.steps.all()) if words["text"] not in have]
    made = StepTemplate.objects.bulk_create(
        StepTemplate(kind=kind, order=order, **words) for order, words in enumerate(new, first)
    )
    if made:
        after = {"copied_from": other, "steps": made}
        events.log(actor, "workkind.steps_copied", kind, after=after)
    return len(new)


@transaction.atomic
def remove_kind(pk: int, actor: StaffMember) -> WorkKind:
    """Remove a kind of work that no job is of. Raises Refused otherwise."""
    kind = WorkKind.objects.select_for_update().get(pk=pk)
    if kind.jobs.exists():
        raise Refused(
            gettext("There are jobs of the kind “%(kind)s”: put it out of use instead.")
            % {"kind": kind}
        )
    events.delete(kind, actor, before={"steps": list(kind.steps.all())})
    return kind
