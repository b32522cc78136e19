"""Mail to a customer on its way out."""

from django.db import models
from django.db.models import Q
from django.utils import timezone


class Delivery(models.TextChoices):
    """How far a mail has come."""

    WAITING = "waiting", "Waits to go out"
    GOING = "going", "Going out"
    SENT = "sent", "Sent"
    CALLED_BACK = "called_back", "Called back"
    REFUSED = "refused", "Not sent"
    UNSURE = "unsure", "Perhaps sent"


class Mail(models.Model):
    """One mail, asked for once. `key` is the page's, so that a repeated tap asks for no second.

    `not_before` is when it is tried next, `problem` what the mail server said last. `papers` are
    the names (jobs.sheet.papers) of what goes with it, of the signed `sheet`.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="mails")
    about = models.CharField(max_length=20)
    to = models.EmailField()
    subject = models.CharField(max_length=200)
    text = models.TextField()
    sheet = models.ForeignKey("jobs.InstallSheet", models.CASCADE, null=True, related_name="+")
    papers = models.JSONField(default=list)
    key = models.CharField(max_length=64, blank=True)
    by = models.ForeignKey("shop.StaffMember", models.PROTECT, related_name="+")
    asked_at = models.DateTimeField(default=timezone.now)
    delivery = models.CharField(max_length=12, choices=Delivery, default=Delivery.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    not_before = models.DateTimeField(default=timezone.now)
    going_since = models.DateTimeField(null=True)
    problem = models.CharField(max_length=400, blank=True)

    class Meta:
        verbose_name = "mail"
        ordering = ["asked_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["key"], name="mail_once_a_key", condition=~Q(key=""))
        ]
        indexes = [
            models.Index(
                fields=["not_before"],
                name="mail_to_go_out",
                condition=Q(delivery__in=("waiting", "going")),
            )
        ]

    def __str__(self) -> str:
        return f"{self.subject} to {self.to}"

    @property
    def waits(self) -> bool:
        """Whether it can still be called back."""
        return self.delivery == Delivery.WAITING

    @property
    def failed(self) -> bool:
        """Whether somebody has to look after it."""
        return self.delivery in {Delivery.REFUSED, Delivery.UNSURE}
