"""What was typed into a processor's own program, and what the program then shows."""

from django.conf import settings
from django.db import models


class EnteredSetting(models.Model):
    """One line of an entry list: a setting of a channel (`what`: "level", "eq_3").

    `typed` is what stood in its cells when it was ticked as entered, empty while it is not;
    `shown` what the program shows, empty while nobody read it back.
    """

    channel = models.ForeignKey("jobs.Channel", models.CASCADE, related_name="entered")
    what = models.CharField(max_length=12)
    typed = models.JSONField("entered", default=list, blank=True)
    typed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    typed_at = models.DateTimeField(null=True, blank=True)
    shown = models.JSONField("read back", default=list, blank=True)
    shown_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    shown_at = models.DateTimeField(null=True, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["channel", "what"], name="entered_once_a_channel"),
        ]

    def __str__(self) -> str:
        return f"{self.what} of {self.channel}"
