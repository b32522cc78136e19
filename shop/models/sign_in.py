"""Who is signed in where, and who tries to: what is counted."""

from django.conf import settings
from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models


class SignIn(AbstractBaseSession):
    """A session: of a browser in which somebody is signed in, or, seldom, of a stranger's.

    The columns are copied from what the session holds as it is saved (`shop.sessions`), so that a
    person's sessions can be listed, and ended by deleting them.
    """

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.CASCADE, null=True, related_name="sign_ins"
    )
    tablet = models.ForeignKey("shop.Tablet", models.CASCADE, null=True, related_name="+")
    by_pin = models.BooleanField(default=False)
    address = models.CharField(max_length=60, blank=True)
    started_at = models.DateTimeField(null=True)
    seen_at = models.DateTimeField(null=True)

    class Meta(AbstractBaseSession.Meta):
        verbose_name = "sign-in"
        verbose_name_plural = "sign-ins"

    @classmethod
    def get_session_store_class(cls) -> type:
        from shop.sessions import SessionStore

        return SessionStore


class SignInAttempts(models.Model):
    """Wrong passwords from one place: for one name, or, without a name, for all names together.

    A place is a network address, or a device on which the person has signed in before. The name is
    kept as a keyed hash: people type their password into the wrong field.
    """

    name_hash = models.CharField(max_length=64, blank=True)
    place = models.CharField(max_length=80)
    wrong = models.PositiveIntegerField(default=0)
    since = models.DateTimeField(help_text="The first of those counted.")
    rounds = models.PositiveSmallIntegerField(
        default=0, help_text="How often the wait has been imposed in a row."
    )
    wait_until = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["name_hash", "place"], name="sign_in_attempts_once"),
        ]

    def __str__(self) -> str:
        return f"{self.place}: {self.wrong}"
