"""Staff and customers."""

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models.functions import Lower

from shop import languages, name_index
from shop.models.branches import Branch
from shop.roles import Role


def digits_of(phone: str) -> str:
    """The digits of a phone number, for finding it however it was typed."""
    return "".join(character for character in phone if character.isdigit())


class StaffMember(AbstractUser):
    """A person who works here; one person may hold several roles."""

    # None is how Django takes a field of its own model away; its stubs allow only fields.
    first_name = last_name = groups = user_permissions = None  # type: ignore[assignment]
    name = models.CharField("full name", max_length=80)
    is_front_desk = models.BooleanField("front desk", default=False)
    is_technician = models.BooleanField("technician", default=False)
    is_manager = models.BooleanField("manager", default=False)
    pin = models.CharField("PIN, hashed", max_length=128, blank=True, editable=False)
    password_given = models.BooleanField(
        "password chosen by a manager", default=False, db_default=False, editable=False
    )
    language = models.CharField(
        max_length=10, blank=True, choices={"": "The shop’s, or the browser’s", **languages.NAMES}
    )

    branches = models.ManyToManyField(Branch, related_name="people", blank=True, editable=False)
    whole_business = models.BooleanField("works in every branch", default=False, editable=False)

    REQUIRED_FIELDS = ["email", "name"]

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name or self.username

    def get_full_name(self) -> str:
        return self.name

    def get_short_name(self) -> str:
        return self.name.split(" ")[0]

    @property
    def roles(self) -> frozenset[Role]:
        if not self.is_active:
            return frozenset()
        held = {
            Role.FRONT_DESK: self.is_front_desk,
            Role.TECHNICIAN: self.is_technician,
            Role.MANAGER: self.is_manager,
        }
        return frozenset(role for role, yes in held.items() if yes)


WHOLE_NUMBER = 7
"""A phone number of at least this many digits is taken for a whole one."""

SHORTEST_TAIL = 4
"""Fewer digits than this say nothing about a phone number."""


def phone_tail(text: str) -> str:
    """The digits to look for: of a whole number the last nine, without a leading 0.

    So 0161 496 0000, +44 161 496 0000 and 161 496 0000 find one another.
    """
    digits = digits_of(text)
    return digits.lstrip("0")[-9:] if len(digits) >= WHOLE_NUMBER else digits


def customer_wanted(text: str, prefix: str = "") -> models.Q:
    """The customers whose name holds every word, whose phone holds the digits or whose email
    begins with the text; `prefix` is the lookup that leads to the customer."""
    words = text.split()
    if not words:
        return models.Q(pk__in=())
    wanted = models.Q(*[(f"{prefix}name__icontains", word) for word in words])
    if len(tail := phone_tail(text)) >= SHORTEST_TAIL and not any(map(str.isalpha, text)):
        wanted |= models.Q((f"{prefix}phone_digits__contains", tail))
    if "@" in text:
        wanted |= models.Q((f"{prefix}email__istartswith", words[0]))
    return wanted


def _may_hold(text: str) -> list[models.Q]:
    """Narrows the customers that are read, where the database has a list to look in."""
    ways = [name_index.holding(text, "name")]
    if len(tail := phone_tail(text)) >= SHORTEST_TAIL and not any(map(str.isalpha, text)):
        ways.append(name_index.holding(tail, "phone_digits"))
    if "@" in text:
        ways.append(name_index.holding(text.split()[0], "email"))
    found = [one for one in ways if one is not None]
    return [name_index.one_of(frozenset().union(*found))] if len(found) == len(ways) else []


class CustomerQuerySet(models.QuerySet["Customer"]):
    def in_the_book(self) -> "CustomerQuerySet":
        """Without those that were merged into others: their signed jobs alone still name them."""
        return self.filter(merged_into=None)

    def matching(self, text: str) -> "CustomerQuerySet":
        """Customers by words of the name, part of the phone or start of the email."""
        return self.filter(customer_wanted(text), *_may_hold(text))

    def with_phone(self, text: str) -> "CustomerQuerySet":
        """Customers whose phone number this is, however either is written; none for a part."""
        if len(digits_of(text)) < WHOLE_NUMBER:
            return self.none()
        return self.in_the_book().filter(phone_digits__endswith=phone_tail(text))

    def listed(self, text: str = "") -> "CustomerQuerySet":
        """Customers by name, narrowed by the text when there is one."""
        customers = self.matching(text) if text else self
        return customers.in_the_book().order_by(Lower("name"), "pk")


class Customer(models.Model):
    """A person or company whose vehicles we work on."""

    name = models.CharField(max_length=120)
    phone = models.CharField(max_length=40, blank=True)
    phone_digits = models.CharField(max_length=40, blank=True, editable=False, db_index=True)
    email = models.EmailField(blank=True)
    address = models.TextField(blank=True)
    note = models.TextField(blank=True)
    language = models.CharField(
        "language of papers and mails",
        max_length=10,
        blank=True,
        choices={"": "The shop’s", **languages.NAMES},
    )
    created_at = models.DateTimeField(auto_now_add=True)
    merged_into = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="merged", editable=False
    )
    erased_at = models.DateTimeField(null=True, blank=True, editable=False)

    objects = CustomerQuerySet.as_manager()

    class Meta:
        ordering = ["name", "pk"]
        indexes = [models.Index(Lower("name"), name="customer_name_lower")]
        constraints = [
            models.CheckConstraint(
                condition=~models.Q(merged_into=models.F("id")),
                name="customer_not_merged_into_itself",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        self.phone_digits = digits_of(self.phone)
