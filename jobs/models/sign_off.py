"""Review, sign-off and the frozen install sheet.

Rows of InstallSheet and SheetReceipt cannot be changed or deleted: triggers in the database
refuse it (see the migration), so a correction is always a new revision.
"""

from django.conf import settings
from django.db import models

from shop import series


class SendBack(models.Model):
    """A reason for which the manager sent the sheet back; the technician ticks it off.

    `fingerprint` names the finding that the point was made from; empty for what was typed.
    """

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="send_backs")
    reason = models.TextField()
    fingerprint = models.TextField(blank=True, editable=False)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    done_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, null=True, blank=True, related_name="+"
    )
    done_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.reason[:60]


class FindingReason(models.Model):
    """Why a caution may stand, written by the person who answers for it."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="finding_reasons")
    fingerprint = models.CharField(max_length=255)
    reason = models.TextField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["job", "fingerprint"], name="one_reason_a_finding"),
        ]

    def __str__(self) -> str:
        return self.reason[:60]


def sheet_number(job: int, revision: int) -> str:
    """What a signed sheet is called: "J1042-1"."""
    return f"{series.code_of(job)}-{revision}"


class InstallSheet(models.Model):
    """The signed record: the frozen document, its PDF, and who signed.

    `document` holds everything the sheet shows; `document_sha256` is over its canonical JSON.
    """

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="sheets")
    revision = models.PositiveSmallIntegerField()
    corrects = models.OneToOneField(
        "self", models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    correction_reason = models.TextField(blank=True)
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    pdf = models.BinaryField()
    pdf_sha256 = models.CharField(max_length=64)
    signed_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    signed_at = models.DateTimeField()

    class Meta:
        ordering = ["job", "revision"]
        constraints = [
            models.UniqueConstraint(fields=["job", "revision"], name="sheet_revision_once"),
        ]
        indexes = [
            models.Index(fields=["pdf_sha256"], name="sheet_by_file"),
            models.Index(fields=["document_sha256"], name="sheet_by_record"),
        ]

    def __str__(self) -> str:
        return self.number

    @property
    def number(self) -> str:
        return sheet_number(self.job.number, self.revision)


class SheetReceipt(models.Model):
    """The customer's signature on a sheet, and the PDF that carries it."""

    sheet = models.OneToOneField(InstallSheet, models.PROTECT, related_name="receipt")
    signed_name = models.CharField(max_length=80)
    signature = models.TextField(blank=True)
    signed_at = models.DateTimeField()
    handed_over_by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    pdf = models.BinaryField()
    pdf_sha256 = models.CharField(max_length=64)

    class Meta:
        indexes = [models.Index(fields=["pdf_sha256"], name="receipt_by_file")]

    def __str__(self) -> str:
        return f"{self.sheet} signed by {self.signed_name}"
