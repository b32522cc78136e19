"""Telling other programs what happened: written down with the event, sent by a process of its own.

Signed by Standard Webhooks 1.0.0 (2023; standardwebhooks.com), symmetric: HMAC-SHA256 over
"id.timestamp.body", key of 32 bytes. Chosen over HTTP Message Signatures (RFC 9421) because a
receiver checks it in three lines of any language, or with one of many libraries.

A delivery is claimed before it goes out and told at least once: what a process that was killed left
on its way goes out again under the same id, by which the receiver knows a repeat.
"""

import base64
import hashlib
import hmac
import http.client
import json
import logging
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import Hook, HookDelivery, Job, JobEvent, News, Told
from shop import outgoing
from shop.models import Branch, StaffMember
from shop.sealing import seals
from shop.services import ended_since, ending, events, restored

MADE: Final = "hook.made"
ENDED: Final = "hook.ended"

PAUSES_MIN: Final = (1, 5, 15, 60, 240, 480, 720)
"""Minutes before each further try, a day and an hour in all; after the last it is given up."""
LONGEST_ON_ITS_WAY: Final = timedelta(minutes=10)
KEPT: Final = timedelta(days=30)
GONE: Final = 410
"""The receiver wants to be told no more (Standard Webhooks, "Delivery best practices")."""

_PREFIX: Final = "whsec_"
_PURPOSE: Final = b"jobs.hooks"
_MOST: Final = 500

_log = logging.getLogger(__name__)

Post = Callable[[str, bytes, Mapping[str, str]], outgoing.Answer]


# What is told -----------------------------------------------------------------------------------


def _news_of(event: JobEvent, job: Job) -> Iterator[tuple[News, dict[str, Any]]]:
    """What an event is to other programs: numbers and stages, and nothing of a customer."""
    stages = event.before.get("stage"), event.after.get("stage")
    if event.code == "job.booked":
        yield News.BOOKED, {"stage": stages[1]}
        if job.comeback_of is not None:
            yield News.COMEBACK, {"comeback_of": job.comeback_of.number}
    elif stages[1] and stages[0] and stages[0] != stages[1]:
        yield News.STAGE, {"stage": stages[1], "before": stages[0]}
    if event.code == "job.correct":
        yield News.CORRECTION, {}
    if event.code == "sheet.signed":
        yield News.SIGNED, {"sheet": event.after["number"]}


def _is_news(event: JobEvent) -> bool:
    return event.code == "sheet.signed" or event.code.startswith("job.")


def tell(event: JobEvent, job: Job | None) -> None:
    """Put what an event is to others on its way, in the event's transaction.

    A cell's save asks nothing here; a move asks once, and writes once where somebody is told.
    """
    if not _is_news(event):
        return
    hooks = list(Hook.objects.filter(ended_at=None))
    if not hooks:
        return
    job = job or Job.objects.select_related("comeback_of").get(pk=event.job_id)
    if any(hook.branch_id for hook in hooks):
        there = job.bay.branch_id
        hooks = [hook for hook in hooks if hook.branch_id in (None, there)]
    HookDelivery.objects.bulk_create(
        _delivery(hook, news, {"job": job.number, **data}, event.at)
        for news, data in _news_of(event, job)
        for hook in hooks
        if news in hook.news
    )


def _delivery(hook: Hook, news: News, data: Mapping[str, Any], at: datetime) -> HookDelivery:
    body = {"type": str(news), "timestamp": at.isoformat(timespec="seconds"), "data": data}
    key = f"msg_{secrets.token_hex(16)}"
    return HookDelivery(hook=hook, key=key, news=news, body=json.dumps(body), at=at)


# Addresses --------------------------------------------------------------------------------------


def of_hook(pk: int) -> frozenset[int]:
    """The branch of which an address is told; nothing of one that is told of the whole business."""
    listed = Hook.objects.filter(pk=pk, branch__isnull=False)
    return frozenset(listed.values_list("branch_id", flat=True))


@transaction.atomic
def make(
    name: str, address: str, news: Iterable[str], by: StaffMember, branch: Branch | None = None
) -> tuple[Hook, str]:
    """An address, told of one branch or of the whole business, and the secret that signs what it is
    told, shown once. Raises Refused."""
    try:
        outgoing.place_of(address)
    except outgoing.NotAllowed as error:
        raise Refused(str(error)) from None
    except OSError:
        raise Refused(
            gettext("This name leads nowhere: look at it again, or ask for it there.")
        ) from None
    key = secrets.token_bytes(32)
    wanted = set(news)
    hook = Hook.objects.create(
        name=name,
        address=address,
        news=[str(one) for one in News if one in wanted],
        branch=branch,
        sealed=seals(_PURPOSE).encrypt(key).decode(),
        made_by=by,
    )
    events.log(by, MADE, hook, after=events.facts_of(hook))
    return hook, _PREFIX + base64.b64encode(key).decode()


def end(pk: int, by: StaffMember) -> None:
    """Tell an address nothing more; what waits is given up. Again changes nothing."""
    _end(Hook.objects.filter(pk=pk), by)


@transaction.atomic
def _end(hooks: "QuerySet[Hook]", by: StaffMember | None) -> list[Hook]:
    ended: list[Hook] = ending.end(hooks, by, ENDED)
    waiting = HookDelivery.objects.filter(hook__in=ended, state=Told.WAITING)
    waiting.update(state=Told.GIVEN_UP)
    return ended


def give_up_what_waits() -> int:
    """After an older backup was put back: what was on its way then has been told since, under
    ids that the receiver knows; a manager may send it again. Gives how many."""
    on_their_way = HookDelivery.objects.filter(state__in=(Told.WAITING, Told.GOING))
    return on_their_way.update(state=Told.GIVEN_UP, answered="A backup was restored.")


restored.also("deliveries", give_up_what_waits)


def _ended() -> set[str]:
    return set(Hook.objects.exclude(ended_at=None).values_list("sealed", flat=True))


def _end_again(sealed: set[str]) -> list[str]:
    """What a replaced book had ended; told by their sealed secrets, which no two share."""
    ended = _end(Hook.objects.filter(sealed__in=sealed), None)
    return [f"{hook}: address told no more" for hook in ended]


ended_since.also("hooks", _ended, _end_again)


def _in_use(pk: int) -> Hook:
    hook = Hook.objects.get(pk=pk)
    if hook.ended_at is not None:
        raise Refused(gettext("This address is ended: it is told nothing any more."))
    return hook


def test(pk: int) -> HookDelivery:
    """Put a test on its way. Raises Refused for an address that is ended."""
    delivery = _delivery(_in_use(pk), News.TEST, {}, timezone.now())
    delivery.save()
    return delivery


def again(pk: int, delivery_pk: int) -> None:
    """Send once more what was given up, under the same id. Raises Refused."""
    _in_use(pk).deliveries.filter(pk=delivery_pk, state=Told.GIVEN_UP).update(
        state=Told.WAITING, tries=0, not_before=timezone.now()
    )


# Sending ----------------------------------------------------------------------------------------


def signature(key: bytes, message_id: str, at_s: int, body: str) -> str:
    """What stands in webhook-signature."""
    signed = hmac.digest(key, f"{message_id}.{at_s}.{body}".encode(), hashlib.sha256)
    return f"v1,{base64.b64encode(signed).decode()}"


def send_due(post: Post = outgoing.post, now: datetime | None = None) -> int:
    """Send every delivery whose time has come; gives how many were taken.

    Any number of processes may do so at once: each delivery is claimed by one.
    """
    now = now or timezone.now()
    left = HookDelivery.objects.filter(state=Told.GOING, going_since__lt=now - LONGEST_ON_ITS_WAY)
    left.update(state=Told.WAITING, not_before=now)
    old = HookDelivery.objects.filter(state=Told.TAKEN, at__lt=now - KEPT)
    HookDelivery.objects.filter(pk__in=list(old.values_list("pk", flat=True)[:500])).delete()
    due = HookDelivery.objects.filter(state=Told.WAITING, not_before__lte=now)
    taken = 0
    for pk in list(due.order_by("pk").values_list("pk", flat=True)):
        if due.filter(pk=pk).update(state=Told.GOING, going_since=now):
            delivery = HookDelivery.objects.select_related("hook").get(pk=pk)
            taken += _send(delivery, post, now)
    return taken


def _send(delivery: HookDelivery, post: Post, now: datetime) -> int:
    at_s = int(timezone.now().timestamp())
    try:
        key = seals(_PURPOSE).decrypt(delivery.hook.sealed)
    except Exception:  # sealed with another secret of the server
        _log.exception("The secret of %s cannot be read", delivery.hook)
        said = "Its secret cannot be read any more: end this address and make it again."
        return _settle(delivery, Told.GIVEN_UP, said)
    headers = {
        "Content-Type": "application/json",
        "User-Agent": "Loombook",
        "webhook-id": delivery.key,
        "webhook-timestamp": str(at_s),
        "webhook-signature": signature(key, delivery.key, at_s, delivery.body),
    }
    try:
        answer = post(delivery.hook.address, delivery.body.encode(), headers)
    except outgoing.NotAllowed as error:
        return _settle(delivery, Told.GIVEN_UP, str(error))
    except (OSError, http.client.HTTPException, ValueError) as error:
        return _later(delivery, str(error) or type(error).__name__, now)
    said = f"{answer.status} {answer.text}".strip()
    if 200 <= answer.status < 300:
        return _settle(delivery, Told.TAKEN, said)
    if answer.status == GONE:
        return _settle(delivery, Told.GIVEN_UP, said)
    return _later(delivery, said, now)


def _later(delivery: HookDelivery, said: str, now: datetime) -> int:
    if delivery.tries >= len(PAUSES_MIN):
        return _settle(delivery, Told.GIVEN_UP, said)
    pause = timedelta(minutes=PAUSES_MIN[delivery.tries])
    more = {"not_before": now + pause, "tries": delivery.tries + 1}
    return _settle(delivery, Told.WAITING, said, **more)


def _settle(delivery: HookDelivery, state: Told, said: str, **more: Any) -> int:
    """From going out to what became of it, unless another process has settled it meanwhile."""
    going = HookDelivery.objects.filter(pk=delivery.pk, state=Told.GOING)
    moved = going.update(state=state, answered=said[:_MOST].replace("\x00", ""), **more)
    return int(bool(moved) and state == Told.TAKEN)
