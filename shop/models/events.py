"""The log of the shop's own records: every change says who, when, from, to."""

from django.conf import settings
from django.db import models
from django.utils import timezone

from shop.typed import row_named


class ShopEvent(models.Model):
    """One change of staff, customers, vehicles, bays, settings, catalogue, tablets, step lists.

    `subject` is the record by kind and key ("customer:12"), `name` what it was called then.
    Nobody was signed in where there is no `actor`: the change was made on the server itself.
    `number` counts through the log and `chain` is a keyed hash over this event and the one before
    it (see `jobs.services.shop_chain`); neither is there in events from before the log had a chain.
    """

    at = models.DateTimeField(default=timezone.now, editable=False)
    actor = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    code = models.CharField(max_length=40, editable=False)
    subject = models.CharField(max_length=60, editable=False)
    name = models.CharField(max_length=200, editable=False)
    before = models.JSONField(default=dict, editable=False)
    after = models.JSONField(default=dict, editable=False)
    part_of = models.ForeignKey(
        "self", models.PROTECT, null=True, related_name="parts", editable=False
    )
    number = models.PositiveBigIntegerField(null=True, editable=False)
    chain = models.CharField(max_length=64, blank=True, editable=False)

    class Meta:
        ordering = ["-pk"]
        indexes = [
            models.Index(fields=["subject", "-id"], name="shop_event_newest"),
            models.Index(fields=["code", "-id"], name="shop_event_of_kind"),
            models.Index(fields=["at"], name="shop_event_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.subject}"

    @property
    def about(self) -> tuple[str, int]:
        """The kind of record, and its key."""
        return row_named(self.subject)
