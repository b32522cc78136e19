"""What the desk writes to customers: short, with the job's facts, to be changed before it goes."""

from collections.abc import Callable
from typing import Final, NamedTuple

from jobs import wording
from jobs.models import Job
from shop.models import Shop


class Message(NamedTuple):
    """A message by its name: what the desk calls it, its subject as a mail, its text."""

    label: str
    subject: Callable[[Job, Shop], str]
    text: Callable[[Job, Shop], str]


def _hello(job: Job) -> str:
    return f"Hello {job.customer.name},"


def _bye(shop: Shop) -> str:
    return "\n".join(filter(None, [shop.name, shop.phone]))


def _body(words: Callable[[Job], str]) -> Callable[[Job, Shop], str]:
    return lambda job, shop: f"{_hello(job)}\n\n{words(job)}\n\n{_bye(shop)}"


def _car(job: Job) -> str:
    plate = f" ({job.vehicle.plate})" if job.vehicle.plate else ""
    return f"{job.vehicle.title}{plate}"


MESSAGES: Final[dict[str, Message]] = {
    "booked": Message(
        "Booked",
        lambda job, shop: f"{job}: booked for {wording.dated(job.starts_at)}",
        _body(
            lambda job: (
                f"your {_car(job)} is booked for {wording.dated(job.starts_at)}. We expect to have "
                f"it ready {wording.dated(job.promised_at)}. Please bring every key, and leave "
                "nothing of value in it."
            )
        ),
    ),
    "approval": Message(
        "Approval wanted",
        lambda job, shop: f"{job}: please look at this before we go on",
        _body(
            lambda job: (
                f"before we go on with your {_car(job)} we need your word on the estimate. Please "
                "call us or answer this message."
            )
        ),
    ),
    "ready": Message(
        "Ready",
        lambda job, shop: f"{job}: your car is ready",
        _body(lambda job: f"your {_car(job)} is ready. You can collect it while we are open."),
    ),
    "thanks": Message(
        "Thank you and care",
        lambda job, shop: f"{job}: thank you",
        _body(
            lambda job: (
                f"thank you for bringing us your {_car(job)}. Start with the volume low and let "
                "new speakers run in for some days. If anything rattles, hums or cuts out, turn it "
                "off and call us."
            )
        ),
    ),
}
