"""A file of products or customers on its way into the book."""

from datetime import timedelta
from typing import Final

from django.conf import settings
from django.contrib.auth.models import AnonymousUser
from django.db import models
from django.utils import timezone

from shop.models.people import StaffMember

KEPT: Final = timedelta(days=1)
"""How long an uploaded file waits to be confirmed."""


class CatalogueUploadQuerySet(models.QuerySet["CatalogueUpload"]):
    def of(self, person: StaffMember | AnonymousUser, what: str) -> "CatalogueUploadQuerySet":
        """The uploads of products or of customers by one person that have not expired."""
        return self.filter(by_id=person.pk, what=what, uploaded_at__gt=timezone.now() - KEPT)

    def expired(self) -> "CatalogueUploadQuerySet":
        return self.filter(uploaded_at__lte=timezone.now() - KEPT)


class CatalogueUpload(models.Model):
    """The cells of one file, kept between upload and confirmation; nothing of it is in the book.

    `sheet` is a `shop.catalogue.spreadsheets.Table` as a document, `columns` what each column
    stands for, in order, with "" for a column that is left out.
    """

    PRODUCTS = "products"
    CUSTOMERS = "customers"

    what = models.CharField(max_length=10, default=PRODUCTS)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
    file_name = models.CharField(max_length=120)
    uploaded_at = models.DateTimeField(default=timezone.now)
    sheet = models.JSONField()
    columns = models.JSONField(default=list)
    kind = models.CharField(max_length=12, blank=True)
    decimal_comma = models.BooleanField(default=False)
    clear_empty = models.BooleanField(default=False)

    objects = CatalogueUploadQuerySet.as_manager()

    def __str__(self) -> str:
        return self.file_name
