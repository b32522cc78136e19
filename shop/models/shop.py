"""The shop itself and its bays."""

from copy import copy
from datetime import date, datetime, time
from decimal import Decimal
from functools import cache
from typing import Final
from zoneinfo import ZoneInfo, available_timezones

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.functional import cached_property
from django.utils.translation import gettext

from shop import branches, languages, series, wording
from shop.models.branches import FIRST_NUMBER, Branch, first_branch
from shop.models.hours import UNSAID_CLOSES, OpenHours
from shop.money import plain
from shop.prepared import PreparedObjects

MOST_MONTHS = 240


def tax_said(name: str, percent: Decimal) -> str:
    """ "VAT 20 %"."""
    return f"{name} {wording.with_unit(plain(percent), '%')}"


class Units(models.TextChoices):
    METRIC = "metric", "Metric (m, mm², km)"
    US = "us", "US (ft, AWG, miles)"


class PaperSize(models.TextChoices):
    A4 = "a4", "A4 (210 × 297 mm)"
    LETTER = "letter", "Letter (8.5 × 11 in)"


@cache
def time_zones() -> frozenset[str]:
    """Names in the IANA time zone data; read from the disk once, which takes a while."""
    return frozenset(available_timezones())


def validate_time_zone(name: str) -> None:
    """Refuse a name that is not in the IANA time zone data."""
    if name not in time_zones():
        raise ValidationError(
            gettext(
                "“%(name)s” is no time zone. Use a name such as Europe/London or America/Chicago."
            )
            % {"name": name}
        )


def _range(low: float, high: float) -> list[MinValueValidator | MaxValueValidator]:
    return [MinValueValidator(low), MaxValueValidator(high)]


class ShopManager(models.Manager["Shop"]):
    def current(self) -> "Shop":
        """The one shop row, made with defaults when the database is new; in the same query,
        whether it has several branches and whether a job was ever booked."""
        return next(iter(_current()), None) or self.get_or_create(pk=1)[0]


def _with_what_is_told() -> "models.QuerySet[Shop]":
    booked = Branch.objects.filter(next_job_number__gt=FIRST_NUMBER)
    others = Branch.objects.exclude(letters=series.FIRST)
    told = {"several_branches": models.Exists(others), "ever_booked": models.Exists(booked)}
    return Shop.objects.annotate(**told).filter(pk=1)


_current: Final = PreparedObjects(_with_what_is_told, keys=0)


class Shop(models.Model):
    """The business: one row. The lower fields are what the sums take for granted here.

    `several_branches` and `ever_booked` are told by `Shop.objects.current()`.
    """

    several_branches = False
    ever_booked = False

    name = models.CharField(max_length=120, default="Our shop")
    address = models.TextField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)
    time_zone = models.CharField(max_length=60, default="UTC", validators=[validate_time_zone])
    country = models.CharField(
        max_length=2, blank=True, help_text="Its public holidays are days closed."
    )
    region = models.CharField(max_length=10, blank=True)
    keeps_holidays = models.BooleanField("closed on public holidays", default=True)
    units = models.CharField(max_length=10, choices=Units, default=Units.METRIC)
    paper_size = models.CharField("paper", max_length=10, choices=PaperSize, default=PaperSize.A4)
    language = models.CharField(
        max_length=10,
        blank=True,
        choices={"": "Each browser’s; English on paper", **languages.NAMES},
        help_text="Of screens and papers, where a person or customer has no other.",
    )
    sheet_terms = models.TextField(
        blank=True, help_text="Printed above the signatures on the install sheet."
    )
    sheet_terms_en = models.TextField("terms in English", blank=True)
    sheet_terms_es = models.TextField("terms in Spanish", blank=True)
    sheet_terms_de = models.TextField("terms in German", blank=True)

    sign_ins_ended_at = models.DateTimeField(null=True, editable=False)

    verify_address = models.URLField(
        "where anybody checks a sheet",
        blank=True,
        help_text="The address of this book with /verify/, as customers reach it. It stands on "
        "each sheet signed from then on, with a code. Empty: nothing is printed.",
    )

    max_drop_percent = models.FloatField(
        "largest voltage drop with music, %", default=3.0, validators=_range(0.5, 15)
    )
    max_full_drop_percent = models.FloatField(
        "largest voltage drop at full output, %",
        default=10.0,
        validators=_range(0.5, 30),
        help_text="A full-output tone on every channel. 10 % is common practice, no source.",
    )
    music_duty_percent = models.FloatField(
        "music duty, %",
        default=12.5,
        validators=_range(1, 100),
        help_text="Long-term output power over full output. 12.5 % is a 12 dB crest factor.",
    )
    bass_duty_percent = models.FloatField(
        "music duty of subwoofers, %",
        default=33.0,
        validators=_range(1, 100),
        help_text="Bass-heavy music. 33 % is a 7.8 dB crest factor; common practice, no source.",
    )
    cabin_c = models.FloatField("cabin ambient, °C", default=40.0, validators=_range(-40, 120))
    engine_bay_c = models.FloatField(
        "engine bay ambient, °C", default=70.0, validators=_range(-40, 150)
    )
    fuse_distance_m = models.FloatField(
        "fuse to battery at most, m",
        default=0.45,
        validators=_range(0.05, 5),
        help_text="0.45 m (18 in) is common practice, no source.",
    )
    key_off_limit_a = models.FloatField(
        "key-off draw at most, A",
        default=0.05,
        validators=_range(0.001, 5),
        help_text="0.05 A is common practice, no source.",
    )
    speaker_loss_db = models.FloatField(
        "level lost in a speaker cable at most, dB",
        default=0.5,
        validators=_range(0.05, 6),
        help_text="0.5 dB is common practice, no source.",
    )
    crossover_gap_db = models.FloatField(
        "crossover gap or overlap at most, dB", default=4.0, validators=_range(0.5, 24)
    )

    currency = models.CharField(max_length=3, blank=True)
    tax_name = models.CharField("what the tax is called", max_length=20, default="Tax")
    tax_percent = models.DecimalField(
        "tax, %",
        max_digits=6,
        decimal_places=3,
        default=Decimal(0),
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    prices_with_tax = models.BooleanField("prices include the tax", default=True)
    labour_price = models.DecimalField(
        "price of an hour of work",
        max_digits=11,
        decimal_places=4,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
    )

    work_warranty_months = models.PositiveSmallIntegerField(
        "warranty of the work, months",
        null=True,
        blank=True,
        validators=[MaxValueValidator(MOST_MONTHS)],
    )
    parts_warranty_months = models.PositiveSmallIntegerField(
        "warranty of the parts, months",
        null=True,
        blank=True,
        validators=[MaxValueValidator(MOST_MONTHS)],
    )

    own_review_allowed = models.BooleanField(
        "one person may review their own work",
        default=True,
        help_text="The sheet says so where it happens.",
    )

    longest_clock_h = models.FloatField(
        "a clock runs at most, h", default=10.0, validators=_range(1, 24)
    )
    lock_after_min = models.PositiveSmallIntegerField(
        "shared tablets lock after, min", default=10, validators=_range(1, 120)
    )

    idle_limit_h = models.FloatField(
        "a browser stays signed in without use, h", default=12.0, validators=_range(0.25, 168)
    )

    second_factor_required = models.BooleanField(
        "managers sign in with a second factor", default=False
    )
    second_factor_days = models.PositiveSmallIntegerField(
        "a device is not asked again for, days", default=0, validators=_range(0, 90)
    )

    steps_left_out = models.JSONField("first steps left out", default=list, blank=True)

    objects = ShopManager()

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @cached_property
    def closing_times(self) -> dict[int, dict[int, time]]:
        """When each branch closes, by weekday; without those that have not said their hours."""
        times: dict[int, dict[int, time]] = {}
        for branch, weekday, at in OpenHours.objects.values_list(
            "branch_id", "weekday", "closes_at"
        ):
            times.setdefault(branch, {})[weekday] = at
        return times

    def at(self, branch: Branch) -> "Shop":
        """The shop as papers and mails of one of several branches name it."""
        there = copy(self)
        if branch.name != self.name:
            there.name = f"{self.name} · {branch}"
        there.address = branch.address or self.address
        there.phone = branch.phone or self.phone
        return there

    @property
    def paper_language(self) -> str:
        """The language of papers that are the shop's own."""
        return self.language or languages.ENGLISH

    def terms_in(self, language: str) -> str:
        """The terms as a customer of this language reads them; the shop's own where it has none."""
        own: str = getattr(self, f"sheet_terms_{language[:2]}")
        return own or self.sheet_terms

    def closing_on(self, day: date, branch: int | None) -> datetime | None:
        """When a branch closes on a day of the week; None on one on which it is never open."""
        times = self.closing_times.get(branch or 0)
        closes = times.get(day.weekday()) if times else UNSAID_CLOSES
        return datetime.combine(day, closes, self.zone) if closes else None


class TaxRate(models.Model):
    """A rate of tax beside the shop's usual one, for lines and products that carry it; one out of
    use is offered no more and stays where it was chosen."""

    name = models.CharField("what the tax is called", max_length=20)
    percent = models.DecimalField(
        "tax, %",
        max_digits=6,
        decimal_places=3,
        validators=[MinValueValidator(0), MaxValueValidator(100)],
    )
    order = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["order", "name", "percent", "pk"]
        verbose_name = "tax rate"
        constraints = [
            models.UniqueConstraint(
                fields=["name", "percent"],
                name="tax_rate_once",
                violation_error_message="This rate is in the list already.",
            )
        ]

    def __str__(self) -> str:
        return tax_said(self.name, self.percent)


class BayQuerySet(models.QuerySet["Bay"]):
    def in_use(self) -> "BayQuerySet":
        """Those that take bookings, in the branch that is looked at."""
        return self.filter(branches.shown(), active=True, branch__active=True)


class Bay(models.Model):
    """A work place for one vehicle."""

    branch = models.ForeignKey(
        Branch, models.PROTECT, related_name="bays", default=first_branch, editable=False
    )
    name = models.CharField(max_length=40)
    note = models.CharField(max_length=120, blank=True, help_text="Lift, height limit, power.")
    order = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)

    objects = BayQuerySet.as_manager()

    class Meta:
        ordering = ["order", "name"]
        constraints = [
            models.UniqueConstraint(fields=["branch", "name"], name="bay_name_once_a_branch"),
        ]

    def __str__(self) -> str:
        return self.name


class ShopLogo(models.Model):
    """The picture at the head of the shop's papers: one row, or none."""

    name = models.CharField("picture", max_length=120)
    image = models.TextField(editable=False)

    class Meta:
        verbose_name = "logo"

    def __str__(self) -> str:
        return self.name

    @classmethod
    def shown(cls) -> str:
        """The picture as a `data:` URL, empty without one."""
        return cls.objects.values_list("image", flat=True).first() or ""
