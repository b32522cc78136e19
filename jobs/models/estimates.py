"""What a job is to cost: lines, what the customer approved, and what was paid."""

from decimal import Decimal

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models


class LineKind(models.TextChoices):
    LABOUR = "labour", "Labour"
    PART = "part", "Part"
    OTHER = "other", "Other"


class EstimateLine(models.Model):
    """One line. An option counts while the customer takes it."""

    job = models.ForeignKey("jobs.Job", models.CASCADE, related_name="estimate_lines")
    kind = models.CharField(max_length=10, choices=LineKind)
    text = models.CharField("what", max_length=200)
    product = models.ForeignKey(
        "shop.Product", models.SET_NULL, null=True, blank=True, related_name="+"
    )
    quantity = models.DecimalField(
        max_digits=9, decimal_places=3, default=Decimal(1), validators=[MinValueValidator(0)]
    )
    price = models.DecimalField("price each", max_digits=13, decimal_places=4)
    tax_rate = models.ForeignKey(
        "shop.TaxRate", models.PROTECT, null=True, blank=True, related_name="+", verbose_name="tax"
    )
    optional = models.BooleanField("the customer may leave it", default=False)
    taken = models.BooleanField("the customer takes it", default=True)
    order = models.PositiveSmallIntegerField(default=0)
    version = models.PositiveIntegerField(default=1, editable=False)

    class Meta:
        ordering = ["order", "pk"]
        verbose_name = "estimate line"
        constraints = [
            models.CheckConstraint(
                condition=models.Q(optional=True) | models.Q(taken=True),
                name="estimate_line_counts_or_is_optional",
            ),
        ]

    def __str__(self) -> str:
        return self.text


class ApprovedBy(models.TextChoices):
    SIGNATURE = "signature", "Signed at the counter"
    CALL = "call", "Said on the phone"


class EstimateApproval(models.Model):
    """The estimate as the customer approved it: `document` holds every line and the totals.

    The newest one counts while the estimate still says the same.
    """

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="estimate_approvals")
    number = models.PositiveSmallIntegerField()
    document = models.JSONField()
    document_sha256 = models.CharField(max_length=64)
    how = models.CharField(max_length=10, choices=ApprovedBy)
    name = models.CharField(max_length=80)
    said = models.TextField(blank=True)
    signature = models.TextField(blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint(fields=["job", "number"], name="estimate_approved_in_order"),
        ]

    def __str__(self) -> str:
        return f"{self.job} estimate {self.number}"


class PaymentKind(models.TextChoices):
    DEPOSIT = "deposit", "Deposit"
    PAYMENT = "payment", "Payment"
    BACK = "back", "Paid back"


class Payment(models.Model):
    """Money that changed hands, noted; `amount` is below nought where it was paid back. A slip is
    put right by noting the opposite."""

    job = models.ForeignKey("jobs.Job", models.PROTECT, related_name="payments")
    kind = models.CharField(max_length=10, choices=PaymentKind)
    amount = models.DecimalField(max_digits=13, decimal_places=4)
    currency = models.CharField(max_length=3, blank=True)
    how = models.CharField(max_length=60, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, related_name="+")
    at = models.DateTimeField()

    class Meta:
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.get_kind_display()
