"""The chain through the shop's own log: each entry carries a keyed hash over itself and the one
before it, and one row a keyed hash over how many there are, as each job's log has it.

Where the key is lost, or another book’s, the shop goes on: nobody could sign in otherwise. What is
written meanwhile is linked to nothing, and the check says so.
"""

import hashlib
import hmac
from collections.abc import Iterator
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from jobs import wording
from jobs.models import JobEvent, RecordChain, Seal, ShopChain
from jobs.record_key import KeyLost, another, key, key_id
from jobs.services.record import canonical, head_mac, link, mac
from shop.models import ShopEvent
from shop.services import events

ROW: Final = 1
MOST_NAMED: Final = 5
NEWEST: Final = 1_000
"""So many entries are looked at for the highest number: one put in by hand may stand behind it."""


def _told(event: ShopEvent) -> list[Any]:
    return [
        event.at,
        event.actor_id,
        event.code,
        event.subject,
        event.name,
        event.before,
        event.after,
        event.part_of_id,
    ]


def _link(secret: bytes, before: str, event: ShopEvent) -> str:
    return mac(secret, "shop event", before, event.number, _told(event))


def _sealed(secret: bytes, chain: ShopChain) -> str:
    told = [chain.count, chain.head, chain.taken_over, chain.taken_digest, chain.began_at]
    return mac(secret, "shop head", told)


def is_of_this_book(secret: bytes) -> bool:
    """Something that the book keeps was made with this key, or nothing yet with any.

    It tells a log whose head was forged from a machine that has the key of another book: there
    none of the book's newest marks is its key's.
    """
    if Seal.objects.filter(key_id=key_id(secret)).exists():
        return True
    marks: list[tuple[str, str]] = []
    if chain := ShopChain.objects.filter(pk=ROW).first():
        marks.append((chain.mac, _sealed(secret, chain)))
    if job := RecordChain.objects.order_by("-pk").first():
        marks.append((job.mac, head_mac(secret, job.pk, job.count, job.head)))
    if last := JobEvent.objects.exclude(chain="").order_by("-pk").first():
        one_before = JobEvent.objects.filter(
            job_id=last.job_id, number=(last.number or 0) - 1
        ).first()
        marks.append((last.chain, link(secret, one_before.chain if one_before else "", last)))
    two = list(ShopEvent.objects.exclude(chain="").order_by("-pk")[:2])
    if len(two) > 1:
        marks.append((two[0].chain, _link(secret, two[1].chain, two[0])))
    if not marks:
        return not Seal.objects.exists()
    return any(hmac.compare_digest(made, ours) for made, ours in marks)


def has_none_yet() -> bool:
    """There is a log from before there was a chain, and none of it was ever linked."""
    return (
        not ShopChain.objects.exists()
        and ShopEvent.objects.exists()
        and not ShopEvent.objects.exclude(chain="").exists()
    )


@transaction.atomic
def begin(secret: bytes | None = None) -> None:
    """Begin the chain behind everything that stands: of the time before, it proves nothing."""
    secret = secret or key()
    ShopChain.objects.all().delete()
    hashed, count = hashlib.sha256(), 0
    for event in _in_order():
        hashed.update(_whole(event))
        count += 1
    _begun(secret, count, hashed.hexdigest() if count else "").save(force_insert=True)


def _begun(secret: bytes, count: int = 0, digest: str = "") -> ShopChain:
    now = timezone.now()
    chain = ShopChain(pk=ROW, count=0, taken_over=count, taken_digest=digest, began_at=now)
    chain.head = mac(secret, "shop log", count, digest, now)
    chain.mac = _sealed(secret, chain)
    return chain


def _in_order() -> Iterator[ShopEvent]:
    return ShopEvent.objects.order_by("pk").iterator(chunk_size=2_000)


def _whole(event: ShopEvent) -> bytes:
    return canonical([event.pk, event.number, event.chain, *_told(event)])


@transaction.atomic(savepoint=False)
def write(written: list[ShopEvent]) -> list[ShopEvent]:
    """Add events to the log, linked, inside the transaction of what they tell of.

    Where the head of the log is gone or forged the break shows: they follow nothing.
    """
    if not written:
        return []
    try:
        secret = key()
    except KeyLost:
        return ShopEvent.objects.bulk_create(written)
    chain = ShopChain.objects.select_for_update().filter(pk=ROW).first()
    holds = chain is not None and hmac.compare_digest(chain.mac, _sealed(secret, chain))
    if not holds and not is_of_this_book(secret):
        return ShopEvent.objects.bulk_create(written)
    if chain is None:
        first = _broken() if ShopEvent.objects.exists() else _begun(secret)
        # Of two that would begin it at once the second waits here, and goes on behind the first.
        ShopChain.objects.bulk_create([first], ignore_conflicts=True)
        chain = ShopChain.objects.select_for_update().get(pk=ROW)
        holds = hmac.compare_digest(chain.mac, _sealed(secret, chain))
    head = chain.head if holds else ""
    for place, event in enumerate(written, 1):
        event.number = chain.count + place
        event.chain = head = _link(secret, head, event)
    events_now = ShopEvent.objects.bulk_create(written)
    chain.count += len(written)
    chain.head = head
    chain.mac = _sealed(secret, chain)
    chain.save(force_update=True)
    return events_now


def _broken() -> ShopChain:
    """In the place of a head that is gone: it counts on from the newest entries there are. All of
    them would be a second of a million, for which nobody else could write."""
    rows = ShopEvent.objects.exclude(number=None).order_by("-pk")
    newest = rows.values_list("number", flat=True)[:NEWEST]
    count = max((number for number in newest if number is not None), default=0)
    return ShopChain(pk=ROW, count=count, head="", began_at=timezone.now(), mac="")


def key_of_this_book() -> bytes:
    """The key for a check. Raises KeyLost: with another book's key everything would seem forged."""
    secret = key()
    if not is_of_this_book(secret):
        raise another()
    return secret


def check() -> Iterator[str]:
    """What is wrong with the shop's log, an entry at a time: put in, changed, missing, out of
    order, cut off. Raises KeyLost."""
    secret = key_of_this_book()
    chain = ShopChain.objects.filter(pk=ROW).first()
    if chain is None:
        if ShopEvent.objects.exists():
            yield "The head of the log is gone."
        return
    whole = hmac.compare_digest(chain.mac, _sealed(secret, chain))
    if not whole:
        yield "The head of the log was changed."
    began = mac(secret, "shop log", chain.taken_over, chain.taken_digest, chain.began_at)
    known: dict[int, str] = {0: began}
    hashed, before, last = hashlib.sha256(), 0, 0
    for event in _in_order():
        if before < chain.taken_over:
            before += 1
            hashed.update(_whole(event))
            continue
        what = _what(event)
        if event.number is None:
            yield f"{what} is linked to nothing: put in by hand, or while the key was missing."
            continue
        if event.number in known:
            yield f"{what} was put in by hand: there are two of this number."
            continue
        if event.number < last:
            yield f"{what} is out of order: it stands behind entry {last}."
        known[event.number] = event.chain
        link_before = known.get(event.number - 1)
        if link_before is not None and not hmac.compare_digest(
            _link(secret, link_before, event), event.chain
        ):
            yield (
                f"{what} does not follow from the one before it: it was changed or put in by hand."
            )
        last = max(last, event.number)
    if before < chain.taken_over or (before and hashed.hexdigest() != chain.taken_digest):
        yield (
            f"The {chain.taken_over} entries from before {wording.stamp(chain.began_at)}, when the "
            "chain began, are not what they were then."
        )
    gone = [number for number in range(1, last + 1) if number not in known]
    if gone:
        more = f" and {len(gone) - MOST_NAMED} more" if len(gone) > MOST_NAMED else ""
        named = ", ".join(str(number) for number in gone[:MOST_NAMED])
        yield f"The log lacks entry {named}{more}."
    if whole and (chain.count != last or chain.head != known[last]):
        yield f"The log ends at entry {last}, and {chain.count} were written."


def _what(event: ShopEvent) -> str:
    number = f"Entry {event.number}" if event.number is not None else f"The entry in row {event.pk}"
    return f"{number}, “{event.code}” of {event.name}, {wording.stamp(event.at)},"


events.write_through(write)
