"""The branches of one business: each with bays, staff, hours and job numbers of its own."""

from typing import TYPE_CHECKING

from django.db import models

from shop import series

if TYPE_CHECKING:
    from shop.models.people import StaffMember

FIRST_NUMBER = 1001
"""The place in its series of the first job of a branch."""


class BranchManager(models.Manager["Branch"]):
    def first_one(self) -> "Branch":
        """The branch that every shop has, made when the database is new."""
        return self.get_or_create(letters=series.FIRST)[0]

    def of(self, person: "StaffMember") -> list["Branch"]:
        """Those in which a person works, in order."""
        return list(self.all() if person.whole_business else self.filter(people=person))


class Branch(models.Model):
    """A place of the business. `letters` stand before its job numbers and never change; address
    and phone are the shop's where they are empty."""

    name = models.CharField(max_length=80, blank=True)
    letters = models.CharField(
        "letters before its job numbers",
        max_length=2,
        unique=True,
        help_text="One or two letters, such as N: its jobs are N1001, N1002 and so on.",
    )
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    order = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)
    next_job_number = models.PositiveIntegerField(default=FIRST_NUMBER, editable=False)

    objects = BranchManager()

    class Meta:
        ordering = ["order", "pk"]
        verbose_name = "branch"
        verbose_name_plural = "branches"

    def __str__(self) -> str:
        return self.name or self.letters


def first_branch() -> int:
    """The key of the branch in which a bay, or hours, stand that name none."""
    return Branch.objects.first_one().pk
