"""What the desk writes to customers: short, with the job's facts, to be changed before it goes.

Each is in the language of its customer.
"""

from collections.abc import Callable
from typing import Final, NamedTuple

from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.models import Job
from shop.languages import first_of, speaking
from shop.models import Shop


class Message(NamedTuple):
    """A message by its name: what the desk calls it, its subject as a mail, its text."""

    label: str
    subject: Callable[[Job, Shop], str]
    text: Callable[[Job, Shop], str]


def _hello(job: Job) -> str:
    return gettext("Hello %(name)s,") % {"name": job.customer.name}


def _bye(shop: Shop) -> str:
    return "\n".join(filter(None, [shop.name, shop.phone]))


def _car(job: Job) -> str:
    plate = f" ({job.vehicle.plate})" if job.vehicle.plate else ""
    return f"{job.vehicle.title}{plate}"


def _facts(job: Job) -> dict[str, str]:
    return {
        "job": str(job),
        "car": _car(job),
        "begins": wording.dated(job.starts_at),
        "promised": wording.dated(job.promised_at),
    }


def _message(label: str, subject: str, words: str) -> Message:
    """A message in the customer's language; `words` and `subject` name facts of the job."""

    def write_subject(job: Job, shop: Shop) -> str:
        with speaking(first_of(job.customer, shop)):
            return gettext(subject) % _facts(job)

    def write_text(job: Job, shop: Shop) -> str:
        with speaking(first_of(job.customer, shop)):
            return (
                f"{_hello(job)}\n\n{gettext(words) % _facts(job)}\n\n{_bye(job.shop_there(shop))}"
            )

    return Message(label, write_subject, write_text)


MESSAGES: Final[dict[str, Message]] = {
    "booked": _message(
        kept("Booked"),
        kept("%(job)s: booked for %(begins)s"),
        kept(
            "your %(car)s is booked for %(begins)s. We expect to have it ready %(promised)s. "
            "Please bring every key, and leave nothing of value in it."
        ),
    ),
    "approval": _message(
        kept("Approval wanted"),
        kept("%(job)s: please look at this before we go on"),
        kept(
            "before we go on with your %(car)s we need your word on the estimate. Please call us "
            "or answer this message."
        ),
    ),
    "ready": _message(
        kept("Ready"),
        kept("%(job)s: your car is ready"),
        kept("your %(car)s is ready. You can collect it while we are open."),
    ),
    "thanks": _message(
        kept("Thank you and care"),
        kept("%(job)s: thank you"),
        kept(
            "thank you for bringing us your %(car)s. Start with the volume low and let new "
            "speakers run in for some days. If anything rattles, hums or cuts out, turn it off and "
            "call us."
        ),
    ),
}
