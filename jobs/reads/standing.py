"""How the book stands, for whatever watches the server."""

from collections.abc import Iterable

from django.db.models import Case, Count, Exists, OuterRef, TextChoices, Value, When

from jobs import signing
from jobs.lifecycle import Stage
from jobs.models import Delivery, HookDelivery, Job, Mail, SigningCertificate, Told
from jobs.record_key import Another, KeyLost, key_path
from jobs.services.shop_chain import key_of_this_book
from shop import metrics
from shop.models import Bay, Branch
from shop.views import health

LIVE = [one for one in Stage if one not in {Stage.COLLECTED, Stage.CANCELLED}]


def _mails() -> dict[tuple[str, ...], float]:
    """Mails that are still to go out; those that are done with would be more each day."""
    states = [Delivery.WAITING, Delivery.GOING]
    due = Mail.objects.filter(delivery__in=states).order_by()
    rows = due.values_list("delivery").annotate(Count("pk"))
    return _of(states) | {(state,): float(many) for state, many in rows}


def _of(states: Iterable[TextChoices]) -> dict[tuple[str, ...], float]:
    return {(str(one.value),): 0.0 for one in states}


def _by_branch(
    states: Iterable[str], rows: Iterable[tuple[str, str, int]]
) -> dict[tuple[str, ...], float]:
    """Each state, and where there are several branches each of a branch, named by the letters of
    its job numbers, which no two share and which never change. None of it is told too."""
    branches = list(Branch.objects.values_list("letters", "active"))
    told: dict[tuple[str, ...], float] = {}
    if len(branches) == 1:
        told |= {(state,): 0.0 for state in states}
        return told | {(state,): float(many) for state, _, many in rows}
    told |= {(state, letters): 0.0 for state in states for letters, active in branches if active}
    return told | {(state, letters): float(many) for state, letters, many in rows}


def _jobs() -> dict[tuple[str, ...], float]:
    live = Job.objects.filter(stage__in=LIVE).order_by()
    rows = live.values_list("stage", "bay__branch__letters").annotate(Count("pk"))
    return _by_branch([str(one.value) for one in LIVE], rows)


def _bays() -> dict[tuple[str, ...], float]:
    """A bay is taken while a vehicle is worked on in it."""
    within = Job.objects.filter(bay=OuterRef("pk"), stage=Stage.IN_BAY)
    state = Case(When(Exists(within), then=Value("taken")), default=Value("free"))
    bays = Bay.objects.filter(active=True).order_by().annotate(state=state)
    rows = bays.values_list("state", "branch__letters").annotate(Count("pk"))
    return _by_branch(["taken", "free"], rows)


metrics.tell("loombook_mails", "Mails to customers that are to go out", ("state",), _mails)


def _told() -> dict[tuple[str, ...], float]:
    """What other programs are still to be told, or were told in vain."""
    states = [Told.WAITING, Told.GOING, Told.GIVEN_UP]
    due = HookDelivery.objects.filter(state__in=states).order_by()
    rows = due.values_list("state").annotate(Count("pk"))
    return _of(states) | {(state,): float(many) for state, many in rows}


metrics.tell("loombook_told", "What other programs are told, by state", ("state",), _told)
metrics.tell(
    "loombook_live_jobs",
    "Jobs not yet collected or cancelled, by stage",
    ("stage", "branch"),
    _jobs,
)
metrics.tell(
    "loombook_bays", "Bays with a vehicle at work in them, and without", ("state", "branch"), _bays
)


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
