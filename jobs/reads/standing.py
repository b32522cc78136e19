"""How the book stands, for whatever watches the server."""

from django.db.models import Count

from jobs import signing
from jobs.lifecycle import Stage
from jobs.models import Delivery, HookDelivery, Job, Mail, SigningCertificate, Told
from jobs.record_key import Another, KeyLost, key_path
from jobs.services.shop_chain import key_of_this_book
from shop import metrics
from shop.views import health

LIVE = [one for one in Stage if one not in {Stage.COLLECTED, Stage.CANCELLED}]


def _mails() -> dict[str, float]:
    """Mails that are still to go out; those that are done with would be more each day."""
    states = [Delivery.WAITING, Delivery.GOING]
    due = Mail.objects.filter(delivery__in=states).order_by()
    rows = due.values_list("delivery").annotate(Count("pk"))
    return {str(one.value): 0.0 for one in states} | {state: float(many) for state, many in rows}


def _jobs() -> dict[str, float]:
    rows = Job.objects.filter(stage__in=LIVE).order_by().values_list("stage").annotate(Count("pk"))
    return {str(one.value): 0.0 for one in LIVE} | {stage: float(many) for stage, many in rows}


metrics.tell("loombook_mails", "Mails to customers that are to go out", "state", _mails)


def _told() -> dict[str, float]:
    """What other programs are still to be told, or were told in vain."""
    states = [Told.WAITING, Told.GOING, Told.GIVEN_UP]
    due = HookDelivery.objects.filter(state__in=states).order_by()
    rows = due.values_list("state").annotate(Count("pk"))
    return {str(one.value): 0.0 for one in states} | {state: float(many) for state, many in rows}


metrics.tell("loombook_told", "What other programs are told, by state", "state", _told)
metrics.tell("loombook_live_jobs", "Jobs not yet collected or cancelled, by stage", "stage", _jobs)


def _keys() -> str:
    """Why a machine that has the keys of another book is not to be asked: it could write nothing.
    One that has none is asked all the same, for it may be the only one, and shows what there is."""
    try:
        if key_path().exists():
            key_of_this_book()
        if signing.key_path().exists() and SigningCertificate.objects.exists():
            signing.shop_key("")
    except Another:
        return "A key here is not this book's: manage.py check_record says which."
    except KeyLost:
        return ""
    return ""


health.also(_keys)
