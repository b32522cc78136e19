"""Tablets of the shop, and the attempts at a PIN made on them."""

from django.conf import settings
from django.db import models


class TabletQuerySet(models.QuerySet["Tablet"]):
    def in_use(self) -> "TabletQuerySet":
        return self.filter(revoked_at=None)


class Tablet(models.Model):
    """A device a manager has registered: on it, staff sign in by name and PIN.

    The device keeps a random token in a signed cookie; only the SHA-256 of the token is here.
    """

    name = models.CharField(max_length=40)
    bay = models.ForeignKey(
        "shop.Bay", models.SET_NULL, null=True, blank=True, related_name="tablets"
    )
    token_sha256 = models.CharField(max_length=64, unique=True, editable=False)
    registered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    registered_at = models.DateTimeField(auto_now_add=True)
    last_seen_at = models.DateTimeField(null=True, editable=False)
    revoked_at = models.DateTimeField(null=True, editable=False)
    revoked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )

    objects = TabletQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]

    def __str__(self) -> str:
        return self.name


class PinAttempts(models.Model):
    """Wrong PINs of one person on one tablet since the last right one."""

    tablet = models.ForeignKey(Tablet, models.CASCADE, related_name="attempts")
    person = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    wrong = models.PositiveSmallIntegerField(default=0)
    rounds = models.PositiveSmallIntegerField(
        default=0, help_text="How often the wait has been imposed in a row."
    )
    wait_until = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["tablet", "person"], name="pin_attempts_once"),
        ]

    def __str__(self) -> str:
        return f"{self.person} on {self.tablet}: {self.wrong}"
