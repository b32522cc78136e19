"""Saved setups: what the shop learned on one car, kept in frozen versions for the next."""

from typing import Any

from django.conf import settings
from django.db import models


class SetupState(models.TextChoices):
    """Approved sorts first: matches are read in this order."""

    APPROVED = "approved", "Approved"
    DRAFT = "draft", "Draft"
    WITHDRAWN = "withdrawn", "Withdrawn"


class SavedSetup(models.Model):
    """A setup of a vehicle model; what it holds stands in its versions.

    `version` is the number of the version that is offered. `product_names` are the products of
    that version, as `jobs.setup_find` compares them. A setup that came in a file has no sheet:
    `origin` says which shop signed the file.
    """

    vehicle_model = models.ForeignKey(
        "shop.VehicleModel", models.PROTECT, related_name="saved_setups"
    )
    name = models.CharField(max_length=80)
    note = models.TextField(blank=True)
    state = models.CharField(max_length=10, choices=SetupState, default=SetupState.DRAFT)
    state_reason = models.CharField(max_length=500, blank=True)
    state_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    state_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveSmallIntegerField(default=1, editable=False)
    product_names = models.JSONField(default=list, editable=False)
    from_sheet = models.ForeignKey(
        "jobs.InstallSheet", models.PROTECT, null=True, blank=True, related_name="saved_setups"
    )
    origin = models.JSONField(default=dict, blank=True, editable=False)
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
            models.CheckConstraint(
                condition=~models.Q(state=SetupState.WITHDRAWN) | ~models.Q(state_reason=""),
                name="setup_withdrawn_with_reason",
            ),
        ]
        indexes = [
            models.Index(fields=["vehicle_model", "state", "-times_used"], name="setup_offered"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def current(self) -> "SetupVersion":
        """The version that is offered."""
        return self.versions.get(number=self.version)

    @property
    def document(self) -> dict[str, Any]:
        """The document of the version that is offered."""
        document: dict[str, Any] = self.current.document
        return document

    @property
    def is_approved(self) -> bool:
        return self.state == SetupState.APPROVED

    @property
    def is_withdrawn(self) -> bool:
        return self.state == SetupState.WITHDRAWN


class SetupVersion(models.Model):
    """One frozen state of a setup: triggers in the database refuse a change."""

    setup = models.ForeignKey(SavedSetup, models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    note = models.CharField(max_length=500, blank=True)
    from_sheet = models.ForeignKey(
        "jobs.InstallSheet", models.PROTECT, null=True, blank=True, related_name="+"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["setup", "-number"]
        constraints = [
            models.UniqueConstraint(fields=["setup", "number"], name="setup_version_once"),
        ]

    def __str__(self) -> str:
        return f"version {self.number}"


class SetupUse(models.Model):
    """A job that took a setup over, and which of its channels still carry colours to reconfirm.

    `channels` are keys of channels whose wire came from the setup. `learned_at` is when a manager
    looked at what was done otherwise.
    """

    setup = models.ForeignKey(SavedSetup, models.PROTECT, related_name="uses")
    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="setup_uses")
    version = models.PositiveSmallIntegerField()
    event = models.OneToOneField("jobs.JobEvent", models.PROTECT, related_name="+")
    channels = models.JSONField(default=list)
    at = models.DateTimeField(auto_now_add=True)
    learned_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.setup} in {self.job}"


class SetupEvent(models.Model):
    """What was done with a setup itself; what was done with a job stands in the job's log."""

    setup = models.ForeignKey(SavedSetup, models.PROTECT, related_name="events")
    at = models.DateTimeField(auto_now_add=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    code = models.CharField(max_length=40)
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)

    class Meta:
        ordering = ["-pk"]

    def __str__(self) -> str:
        return self.code
