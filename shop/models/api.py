"""Tokens of neighbouring programs, and what they wrote."""

from django.conf import settings
from django.db import models
from django.utils import timezone


class ApiTokenQuerySet(models.QuerySet["ApiToken"]):
    def in_use(self) -> "ApiTokenQuerySet":
        return self.filter(ended_at=None, expires_at__gt=timezone.now())


class ApiToken(models.Model):
    """What a program shows with each request; only the SHA-256 of the secret is here.

    It acts in the name of whoever made it, and no further than that person's roles allow.
    `in_minute` counts the requests of the minute that began at `minute`.
    """

    name = models.CharField(max_length=60)
    token_sha256 = models.CharField(max_length=64, unique=True, editable=False)
    scopes = models.JSONField("may", default=list)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    made_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField("good until")
    ended_at = models.DateTimeField(null=True, editable=False)
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+", editable=False
    )
    uses = models.PositiveBigIntegerField(default=0, editable=False)
    last_used_at = models.DateTimeField(null=True, editable=False)
    minute = models.DateTimeField(default=timezone.now, editable=False)
    in_minute = models.PositiveIntegerField(default=0, editable=False)

    objects = ApiTokenQuerySet.as_manager()

    class Meta:
        verbose_name = "token of the API"
        ordering = ["-pk"]

    def __str__(self) -> str:
        return self.name

    @property
    def is_over(self) -> bool:
        """Whether its time has passed."""
        return self.expires_at <= timezone.now()


class ApiWrite(models.Model):
    """The answer to a write, kept so that a repeat with the same key is answered and not done."""

    token = models.ForeignKey(ApiToken, models.CASCADE, related_name="writes")
    key = models.CharField(max_length=80)
    request_sha256 = models.CharField(max_length=64)
    status = models.PositiveSmallIntegerField(default=0)
    answer = models.TextField(blank=True)
    at = models.DateTimeField(default=timezone.now, db_index=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["token", "key"], name="api_write_once")]

    def __str__(self) -> str:
        return self.key
