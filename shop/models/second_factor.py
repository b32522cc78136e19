"""What a person shows beside the password: an app's code, a passkey, a code kept on paper."""

from django.conf import settings
from django.db import models
from django.utils import timezone

MOST_OF_A_NAME = 40


class CodeApp(models.Model):
    """An app that shows another code every half minute (RFC 6238); a person has one at most.

    The key is kept sealed: whoever has the database alone cannot make codes. `last_step` is the
    half minute of the newest code that was taken; none is taken twice.
    """

    person = models.OneToOneField(
        settings.AUTH_USER_MODEL, models.CASCADE, related_name="code_app", editable=False
    )
    key_sealed = models.TextField(editable=False)
    last_step = models.PositiveBigIntegerField(default=0, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)

    def __str__(self) -> str:
        return f"App of {self.person}"


class Passkey(models.Model):
    """A key that a device or a key ring keeps for one person and one address of this book.

    Only its public half is here (Web Authentication, W3C, Level 2). `last_challenge` is a hash of
    what the newest answer answered; none is taken twice.
    """

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.CASCADE, related_name="passkeys", editable=False
    )
    name = models.CharField("what it is called", max_length=MOST_OF_A_NAME)
    host = models.CharField(max_length=255, editable=False)
    credential = models.CharField(max_length=1400, unique=True, editable=False)
    public_key = models.TextField(editable=False)
    sign_count = models.PositiveBigIntegerField(default=0, editable=False)
    last_challenge = models.CharField(max_length=64, blank=True, editable=False)
    made_at = models.DateTimeField(default=timezone.now, editable=False)
    used_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ["made_at", "pk"]

    def __str__(self) -> str:
        return self.name


class RecoveryCode(models.Model):
    """A code on paper for the day on which nothing else is at hand: good once.

    It is kept as a hash. With 120 bits drawn by lot it needs no slow one (NIST SP 800-63B-4, 2025,
    3.1.2.2: 112 bits and more).
    """

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.CASCADE, related_name="recovery_codes", editable=False
    )
    sha256 = models.CharField(max_length=64, unique=True, editable=False)
    used_at = models.DateTimeField(null=True, editable=False)

    def __str__(self) -> str:
        return f"Code of {self.person}"
