"""What the desk keeps beside a job: how to reach the customer, and where the keys hang now."""

from django.db import models


class Stay(models.TextChoices):
    """What the customer does while the car is here."""

    UNSAID = "", "Not said"
    WAITS = "waits", "Waits here"
    LEAVES = "leaves", "Leaves the car"
    LOANER = "loaner", "Drives a loaner"


class Said(models.TextChoices):
    """How something was said."""

    CALL = "call", "Call"
    MESSAGE = "message", "Message"
    COUNTER = "counter", "At the counter"
    APPROVAL = "approval", "Approval"


class DeskFacts(models.Model):
    """One row a job, made with its first entry. No sheet shows it, and it changes to the end."""

    job = models.OneToOneField("jobs.Job", models.CASCADE, related_name="desk")
    reach = models.CharField("how to reach the customer", max_length=120, blank=True)
    keys_at = models.CharField("keys hang at", max_length=80, blank=True)
    stay = models.CharField(
        "customer", max_length=10, choices=Stay, default=Stay.UNSAID, blank=True
    )
    loaner = models.CharField("loaner car", max_length=80, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        verbose_name = "at the desk"

    def __str__(self) -> str:
        return ""

    @property
    def stay_said(self) -> str:
        """What the customer does meanwhile, with the loaner's name; empty when nobody said."""
        if not self.stay:
            return ""
        label = self.get_stay_display()
        return f"{label}: {self.loaner}" if self.loaner and self.stay == Stay.LOANER else label
