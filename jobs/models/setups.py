"""Saved setups: what the shop learned on one car, frozen for the next of its model."""

from django.conf import settings
from django.db import models


class SavedSetup(models.Model):
    """A frozen copy of a signed job's plan and tuning for a vehicle model.

    `document` is copied into a job when applied, never referenced.
    """

    vehicle_model = models.ForeignKey(
        "shop.VehicleModel", models.PROTECT, related_name="saved_setups"
    )
    name = models.CharField(max_length=80)
    note = models.TextField(blank=True)
    document = models.JSONField()
    from_sheet = models.ForeignKey("jobs.InstallSheet", models.PROTECT, related_name="saved_setups")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    times_used = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["vehicle_model", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_model", "name"],
                name="setup_name_once_a_model",
                violation_error_message="This model already has a setup of that name.",
            ),
        ]

    def __str__(self) -> str:
        return self.name
