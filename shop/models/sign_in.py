"""Who tries to sign in from where: what is counted."""

from django.db import models


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
