"""Which branches are meant now: set for each request as its time zone and language are.

In a shop with one branch, and outside a request, nothing is narrowed. `shown` narrows what is
listed to the branch a person looks at, `own` what they choose among and write to, to all those in
which they work. What an address names is held by `shop.access`.
"""

from collections.abc import Collection, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from django.core.exceptions import PermissionDenied
from django.db.models import Q

from shop import series

if TYPE_CHECKING:
    from shop.models import Branch


class Elsewhere(PermissionDenied):
    """Something belongs to a branch in which the person does not work."""


@dataclass(frozen=True)
class Reach:
    """The branches of the business, those in which somebody works, and the one looked at: None
    where they work in none."""

    every: tuple["Branch", ...]
    own: tuple["Branch", ...]
    looked_at: "Branch | None"

    @property
    def own_keys(self) -> frozenset[int]:
        return frozenset(branch.pk for branch in self.own)

    @property
    def whole(self) -> bool:
        """They work in every branch."""
        return len(self.own) == len(self.every)

    @property
    def shown_keys(self) -> frozenset[int]:
        return frozenset({self.looked_at.pk} if self.looked_at else ())

    def named(self, key: int | None) -> str:
        """What a branch is called."""
        return next((str(branch) for branch in self.every if branch.pk == key), "")


_here: ContextVar[Reach | None] = ContextVar("branches", default=None)


@contextmanager
def meant(reach: Reach | None) -> Iterator[None]:
    """These branches are meant while the block runs; None: nothing is narrowed."""
    before = _here.set(reach)
    try:
        yield
    finally:
        _here.reset(before)


@contextmanager
def looking_at(keys: Collection[int]) -> Iterator[None]:
    """Look at the one branch of these while the block runs: at that of a job while its page is
    open. Where they are none or several, or not the person's, nothing changes."""
    reach = here()
    there = [branch for branch in reach.own if branch.pk in keys] if reach else []
    with meant(replace(reach, looked_at=there[0]) if reach and len(there) == 1 else reach):
        yield


def here() -> Reach | None:
    """The branches that are meant; None where nothing is narrowed."""
    return _here.get()


def is_elsewhere(key: int | None) -> bool:
    """Whether a branch is one in which the person does not work."""
    reach = here()
    return reach is not None and key not in reach.own_keys


def _narrowed(keys: frozenset[int] | None, path: str) -> Q:
    return Q() if keys is None else Q((f"{path}__in", keys))


def shown(path: str = "branch") -> Q:
    """What is of the branch looked at; `path` leads to the branch."""
    reach = here()
    return _narrowed(reach.shown_keys if reach else None, path)


def own(path: str = "branch") -> Q:
    """What is of a branch in which the person works; `path` leads to the branch."""
    reach = here()
    return _narrowed(reach.own_keys if reach else None, path)


def people(*, everywhere: bool = False) -> Q:
    """Staff of the branch looked at, or of every branch in which the person works."""
    reach = here()
    if reach is None:
        return Q()
    return working_in(reach.own_keys if everywhere else reach.shown_keys)


def technicians(*, everywhere: bool = False) -> Q:
    """Those of the people who may be given a job."""
    return people(everywhere=everywhere) & Q(is_technician=True, is_active=True)


def working_in(keys: Collection[int]) -> Q:
    """Staff of some branches, and those of the whole business."""
    from shop.models import StaffMember

    members = StaffMember.branches.through.objects.filter(branch_id__in=keys)
    return Q(whole_business=True) | Q(pk__in=members.values("staffmember_id"))


def letters() -> tuple[str, ...]:
    """The letters of every series of job numbers, that of the branch looked at first."""
    reach = here()
    if reach is None:
        return (series.FIRST,)
    listed = sorted(reach.every, key=lambda branch: branch != reach.looked_at)
    return tuple(branch.letters for branch in listed)


def name_of(key: int | None) -> str:
    """What a branch is called where there are several; nothing in a shop with one."""
    reach = here()
    return reach.named(key) if reach else ""
