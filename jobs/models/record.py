"""What makes the record provable: the head of each job's event log, and seals over what is signed.

Both are keyed with a key outside the database (see `jobs.record_key`): whoever can write to the
database alone can make neither.
"""

from django.db import models


class RecordChain(models.Model):
    """How many events a job's log has and the last one's link, keyed: none can be taken off."""

    job = models.OneToOneField(
        "jobs.Job", models.PROTECT, primary_key=True, related_name="record_chain"
    )
    count = models.PositiveIntegerField()
    head = models.CharField(max_length=64)
    mac = models.CharField(max_length=64)

    def __str__(self) -> str:
        return f"{self.count} events"


class ShopChain(models.Model):
    """The same of the shop's own log, in one row; and what stood in that log when its chain began,
    of which it proves nothing but that it is still the same."""

    count = models.PositiveBigIntegerField()
    head = models.CharField(max_length=64)
    taken_over = models.PositiveBigIntegerField(default=0)
    taken_digest = models.CharField(max_length=64, blank=True)
    began_at = models.DateTimeField()
    mac = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=models.Q(pk=1), name="shop_chain_once"),
        ]

    def __str__(self) -> str:
        return f"{self.count} entries"


class SealKind(models.TextChoices):
    CHECK_IN = "check_in", "Check-in"
    SHEET = "sheet", "Install sheet"
    RECEIPT = "receipt", "Customer’s signature"
    ADOPTED = "adopted", "Event log taken over"


class Seal(models.Model):
    """A keyed hash over what was signed: `content` says what, in digests.

    `late` is set where the seal was made after the signature: it proves nothing of the time
    before. `key_id` names the key; a seal of a lost key proves nothing any more.
    """

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="seals")
    kind = models.CharField(max_length=8, choices=SealKind)
    about = models.CharField(max_length=20, blank=True)
    content = models.JSONField()
    late = models.BooleanField(default=False)
    at = models.DateTimeField()
    key_id = models.CharField(max_length=16)
    mac = models.CharField(max_length=64)

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["job", "kind"], name="seal_job_kind")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.about}".strip()


class SigningCertificate(models.Model):
    """A certificate with which this book's sheets are signed, by its fingerprint: the highest
    `number` signs. With `distrusts`, others may have the key of those before it.

    `key_id` names the key of the record that made `mac`.
    """

    number = models.PositiveIntegerField()
    fingerprint = models.CharField(max_length=64)
    distrusts = models.BooleanField(default=False)
    at = models.DateTimeField()
    key_id = models.CharField(max_length=16)
    mac = models.CharField(max_length=64)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["key_id", "number"], name="signing_certificate_once_a_number"
            )
        ]

    def __str__(self) -> str:
        return f"Signing certificate {self.number}"
