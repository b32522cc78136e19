"""Where a part of a job is: to be ordered, on its way, here, fitted, gone back."""

from django.db import models

from shop import wording


class SupplyState(models.TextChoices):
    UNSAID = "", "Not said"
    WANTED = "wanted", "Wanted"
    ORDERED = "ordered", "Ordered"
    ARRIVED = "arrived", "Arrived"
    FITTED = "fitted", "Fitted"
    RETURNED = "returned", "Returned"


TO_COME = (SupplyState.WANTED, SupplyState.ORDERED)
"""States in which a job waits for the part."""


class PartSupply(models.Model):
    """One row a part, made with its first entry. It changes after the sheet is signed too: a part
    may go back to its supplier."""

    part = models.OneToOneField("jobs.JobPart", models.CASCADE, related_name="supply")
    state = models.CharField(max_length=10, choices=SupplyState, blank=True)
    expected_on = models.DateField("expected on", null=True, blank=True)
    note = models.CharField("supplier and order", max_length=80, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        verbose_name = "part's supply"
        indexes = [
            models.Index(
                fields=["part"],
                condition=models.Q(state__in=["wanted", "ordered"]),
                name="part_supply_to_come",
            ),
        ]

    def __str__(self) -> str:
        return self.part.label

    @property
    def words(self) -> str:
        """Where it is, and when it is expected where that is known."""
        expected = f", expected {wording.day(self.expected_on)}" if self.expected_on else ""
        return f"{self.get_state_display().lower()}{expected}"
