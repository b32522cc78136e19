"""Taking back the last thing done: an event of the job's log is put the other way round."""

from collections.abc import Callable
from contextlib import nullcontext
from typing import Final

from django.db import transaction
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import JobEvent
from jobs.services import adapters, channels, functions, panels, power, reconnect, speaker_sets
from jobs.services.events import done_before, log
from jobs.services.saving import before_check_in, open_job
from jobs.services.tuning import beyond, entered, records as tuning, takes
from jobs.services.tuning.settings import undo_settings
from jobs.services.wires import undo_wires
from jobs.setups import apply as setup_apply
from shop.models import StaffMember

Undo = Callable[[JobEvent, StaffMember], None]

UNDO: Final[dict[str, Undo]] = {
    "functions.group_works": functions.undo_all_work,
    "speaker.added": channels.undo_add,
    "speaker.set_added": speaker_sets.undo_set,
    "speaker.removed": channels.undo_remove,
    "channel.speakers": channels.undo_speakers,
    "channel.arranged": channels.undo_arrange,
    "channel.plug": channels.undo_plug,
    "wires.written": undo_wires,
    reconnect.CODE: reconnect.undo_reconnect,
    "adapter.added": adapters.undo_add,
    "adapter.pins": adapters.undo_pins,
    "adapter.removed": adapters.undo_remove,
    "panel.added": panels.undo_add,
    "panel.removed": panels.undo_remove,
    "panels.refitted": panels.undo_refitted,
    "run.added": power.undo_add,
    "run.removed": power.undo_remove,
    "run.proposed": power.undo_proposal,
    "record.returned": tuning.undo_return,
    "delays.put_in": undo_settings,
    "levels.put_in": undo_settings,
    takes.AVERAGED: takes.undo_average,
    "proposal.applied": undo_settings,
    beyond.BEYOND: beyond.undo_beyond,
    beyond.NOTHING: beyond.undo_beyond,
    entered.SAME: entered.undo_enter_all,
    entered.LOADED: entered.undo_enter_all,
    "settings.rounded": undo_settings,
    "setting.sides": undo_settings,
    "setting.copied": undo_settings,
    "setup.applied": setup_apply.undo_apply,
}


@transaction.atomic
def undo(number: int, event_pk: int, actor: StaffMember) -> JobEvent:
    """Undo an event of this job once. Raises Refused when it cannot be or has been."""
    with before_check_in() if _is_setup(event_pk) else nullcontext():
        return _undo(number, event_pk, actor)


def _is_setup(event_pk: int) -> bool:
    """A setup may have been applied ahead, to a job that is only booked."""
    return JobEvent.objects.filter(pk=event_pk, code="setup.applied").exists()


def _undo(number: int, event_pk: int, actor: StaffMember) -> JobEvent:
    job = open_job(number)
    event = JobEvent.objects.select_related("job").get(pk=event_pk, job=job)
    reverse = UNDO.get(event.code)
    if reverse is None:
        raise Refused(gettext("This cannot be undone in one step: change it by hand."))
    key = f"undo-{event.pk}"
    if done_before(key):
        return event
    reverse(event, actor)
    log(
        job,
        actor,
        "event.undone",
        subject=f"jobevent:{event.pk}",
        after={"code": event.code},
        key=key,
    )
    return event
