"""The branches of a business: whose they are, what belongs to one, opening and changing them."""

from typing import Final

from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.utils.translation import gettext

from shop import series
from shop.branches import Reach
from shop.http import Request
from shop.models import Absence, Bay, Branch, ClosedDays, Shop, StaffMember, Tablet
from shop.models.branches import first_branch
from shop.services import events

SHOWN: Final = "branch"
"""Of a session: the key of the branch looked at."""


def reach_of(request: Request) -> Reach | None:
    """The branches of whoever is signed in; None in a shop with one, and for nobody."""
    person = request.user
    if not request.shop.several_branches or isinstance(person, AnonymousUser):
        return None
    every = tuple(Branch.objects.all())
    own = every
    if not person.whole_business:
        keys = set(person.branches.values_list("pk", flat=True))
        own = tuple(branch for branch in every if branch.pk in keys)
    chosen = request.session.get(SHOWN)
    wanted = [branch for branch in own if branch.pk == chosen]
    return Reach(every, own, next(iter([*wanted, *(one for one in own if one.active), *own]), None))


def looked_at(request: Request) -> Branch:
    """The branch that is looked at, to which bays and hours are added. Raises PermissionDenied for
    somebody who works in none."""
    if request.branches is None:
        return Branch.objects.first_one()
    if request.branches.looked_at is None:
        raise PermissionDenied(gettext("You work in no branch yet. Ask a manager."))
    return request.branches.looked_at


def of_bay(pk: int) -> frozenset[int]:
    """The branch of a bay; nothing where there is no such bay."""
    return frozenset(Bay.objects.filter(pk=pk).values_list("branch_id", flat=True))


def of_closed(pk: int) -> frozenset[int]:
    """The branch of days closed."""
    return frozenset(ClosedDays.objects.filter(pk=pk).values_list("branch_id", flat=True))


def of_tablet(pk: int) -> frozenset[int]:
    """The branch of a tablet's bay; nothing of one that is carried about."""
    bays = Tablet.objects.filter(pk=pk, bay__isnull=False)
    return frozenset(bays.values_list("bay__branch_id", flat=True))


def of_staff(pk: int) -> frozenset[int]:
    """The branches of a person, every one of them: whoever sets a password, or gives a role, gives
    all that goes with it. Somebody without a branch is the whole business's."""
    person = StaffMember.objects.filter(pk=pk).first()
    if person is None:
        return frozenset()
    keys = frozenset(branch.pk for branch in Branch.objects.of(person))
    return keys or frozenset(Branch.objects.values_list("pk", flat=True))


def of_absence(pk: int) -> frozenset[int]:
    """The branches of the person who is away."""
    person = Absence.objects.filter(pk=pk).values_list("person_id", flat=True).first()
    return of_staff(person) if person else frozenset()


def _hold_the_business() -> Shop:
    return Shop.objects.select_for_update().get(pk=Shop.objects.current().pk)


@transaction.atomic
def save_branch(branch: Branch, actor: StaffMember) -> Branch:
    """Open a branch, or change one. Raises ValidationError where the last one in use would close.

    With the second, what was the shop becomes the first: it takes the shop's name, everybody who
    works in none works there, and whoever opens it manages the whole business.
    """
    shop = _hold_the_business()
    first = Branch.objects.get(pk=first_branch())
    alone = not Branch.objects.exclude(pk=first.pk).exists()
    others = Branch.objects.filter(active=True).exclude(pk=branch.pk)
    if not branch.active and not others.exists():
        raise ValidationError(gettext("This is the last branch in use: open another first."))
    new = branch.pk is None
    if new and alone:
        first.name = first.name or shop.name
        first.save(update_fields=["name"])
        first.people.add(*StaffMember.objects.filter(branches=None))
        put_in(actor, [first], whole_business=True, by=actor)
    return events.save(branch, actor, only=None if new else FIELDS)


FIELDS: Final = ("name", "address", "phone", "order", "active")
"""What of a branch may change: its letters stand on what is written already."""


def put_in(
    person: StaffMember, chosen: list[Branch], *, whole_business: bool, by: StaffMember
) -> None:
    """Say in which branches somebody works; in the log by their names. Raises ValidationError
    for whoever would give up the whole business themselves: somebody has to have it."""
    before, had = Branch.objects.filter(people=person), person.whole_business
    was, now = [str(one) for one in before], [str(one) for one in chosen]
    if was == now and had == whole_business:
        return
    if person.pk == by.pk and had and not whole_business:
        raise ValidationError(
            gettext("You cannot take the whole business from yourself: ask another manager of it.")
        )
    person.branches.set(chosen)
    StaffMember.objects.filter(pk=person.pk).update(whole_business=whole_business)
    person.whole_business = whole_business
    facts = [
        {"branches": ", ".join(names), "whole_business": whole}
        for names, whole in ((was, had), (now, whole_business))
    ]
    events.log(by, "staffmember.changed", person, *facts)


def is_free(letters: str) -> bool:
    """Whether a new branch may have these letters."""
    return series.is_series(letters) and not Branch.objects.filter(letters=letters).exists()
