"""The job: one visit of one vehicle, and the parts it is to get."""

from datetime import datetime
from typing import Final

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models.functions import Coalesce, Upper
from django.urls import reverse
from django.utils import timezone

from jobs.lifecycle import (
    BEFORE_REVIEW,
    HOLDS_A_BAY,
    LIVE,
    PATH,
    SIGNED,
    Correction,
    Stage,
    sheet_is_open,
)
from shop import branches, series
from shop.models.people import customer_wanted
from shop.models.products import InputFrom, TurnOn
from shop.models.shop import Shop
from shop.models.vehicles import vehicle_wanted


class JobQuerySet(models.QuerySet["Job"]):
    def with_names(self) -> "JobQuerySet":
        """Everything a card or a row shows, in one query."""
        return self.select_related(
            "customer", "vehicle__vehicle_model", "bay", "technician", "desk"
        )

    def looked_at(self) -> "JobQuerySet":
        """Those of the branch looked at."""
        return self.filter(branches.shown("bay__branch"))

    def on_the_board(self) -> "JobQuerySet":
        """Live jobs of the branch looked at, late ones first, then by promised time."""
        return (
            self.looked_at().filter(stage__in=LIVE).with_names().order_by("promised_at", "number")
        )

    def for_review(self) -> "JobQuerySet":
        """Waiting for the manager, longest waiting first."""
        waiting = models.Q(stage=Stage.READY_FOR_REVIEW) | models.Q(correction=Correction.IN_REVIEW)
        return (
            self.looked_at()
            .filter(waiting)
            .with_names()
            .order_by(Coalesce("correction_since", "stage_since"), "number")
        )

    def under_correction(self) -> "JobQuerySet":
        """Signed sheets that are open to be corrected, the longest open first."""
        opened = self.looked_at().filter(correction=Correction.OPEN)
        return opened.with_names().order_by("correction_since", "number")

    def clashing(
        self, bay_id: int, starts_at: datetime, ends_at: datetime, but: int | None = None
    ) -> "JobQuerySet":
        """Jobs that hold the bay at some moment of the slot; `but` is the job being moved."""
        held = self.filter(
            bay_id=bay_id,
            stage__in=HOLDS_A_BAY,
            starts_at__lt=ends_at,
            ends_at__gt=starts_at,
        )
        return held if but is None else held.exclude(pk=but)

    def matching(self, text: str, also: models.Q) -> "JobQuerySet":
        """Of a set that is small already, the jobs by number, plate, VIN start or tail, phone or
        customer's name; and those that `also` says."""
        by_number = models.Q(number__in=series.numbers_meant(text, branches.letters()))
        return self.filter(
            also
            | by_number
            | vehicle_wanted(text, "vehicle__")
            | customer_wanted(text, "customer__")
        )


class Promised:
    """What follows from a stage and a promise: of a job, or of its row on the board."""

    stage: str
    held_from: str
    starts_at: datetime
    promised_at: datetime

    @property
    def is_here(self) -> bool:
        """The car has come: it is in the shop's hands, or was."""
        held = self.held_from if self.stage == Stage.ON_HOLD else self.stage
        return held != Stage.BOOKED

    @property
    def is_late(self) -> bool:
        """The promise is past. A car that has not come cannot be late."""
        done = self.stage in SIGNED | {Stage.CANCELLED}
        return self.is_here and not done and self.promised_at < timezone.now()

    @property
    def not_arrived(self) -> bool:
        """The car should be here by now, and is not."""
        return self.stage == Stage.BOOKED and self.starts_at < timezone.now()


class Job(Promised, models.Model):
    """One visit. `version` rises with every change of the job row itself. It is of the branch of
    its bay."""

    number = models.PositiveIntegerField(unique=True, editable=False)
    customer = models.ForeignKey("shop.Customer", models.PROTECT, related_name="jobs")
    vehicle = models.ForeignKey("shop.Vehicle", models.PROTECT, related_name="jobs")
    stage = models.CharField(max_length=20, choices=Stage, default=Stage.BOOKED, editable=False)
    stage_since = models.DateTimeField(default=timezone.now, editable=False)
    held_from = models.CharField(max_length=20, choices=Stage, blank=True, editable=False)
    stage_reason = models.TextField(blank=True, editable=False)
    correction = models.CharField(
        max_length=20, choices=Correction, default=Correction.NONE, blank=True, editable=False
    )
    correction_since = models.DateTimeField(null=True, editable=False)
    correction_reason = models.TextField(blank=True, editable=False)
    wants = models.TextField("what the customer wants")
    bay = models.ForeignKey("shop.Bay", models.PROTECT, related_name="jobs")
    starts_at = models.DateTimeField("in the bay from")
    ends_at = models.DateTimeField("in the bay until")
    promised_at = models.DateTimeField("promised for")
    technician = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="jobs",
        limit_choices_to={"is_technician": True, "is_active": True},
    )
    comeback_of = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="comebacks"
    )
    work_kind = models.ForeignKey(
        "jobs.WorkKind",
        models.PROTECT,
        null=True,
        blank=True,
        related_name="jobs",
        verbose_name="kind of work",
    )
    booked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, models.PROTECT, related_name="+", editable=False
    )
    booked_at = models.DateTimeField(auto_now_add=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    objects = JobQuerySet.as_manager()

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")),
                name="job_slot_in_order",
                violation_error_message="The slot ends before it starts.",
            ),
            models.UniqueConstraint(
                fields=["bay"],
                condition=models.Q(stage=Stage.IN_BAY),
                name="job_one_in_a_bay",
                violation_error_message="Another job is in this bay.",
            ),
            models.CheckConstraint(
                condition=models.Q(correction=Correction.NONE, correction_since=None)
                | models.Q(
                    stage__in=[stage for stage in PATH if stage in SIGNED],
                    correction_since__isnull=False,
                ),
                name="job_correction_of_what_is_signed",
            ),
        ]
        indexes = [
            models.Index(fields=["stage", "promised_at"], name="job_stage_promised"),
            models.Index(fields=["bay", "starts_at"], name="job_bay_start"),
            models.Index(fields=["correction", "correction_since"], name="job_correction"),
        ]

    def __str__(self) -> str:
        return series.code_of(self.number)

    def get_absolute_url(self) -> str:
        return reverse("job", args=[self.number])

    def shop_there(self, shop: Shop) -> Shop:
        """The shop as papers and mails of this job name it: its branch's address and phone."""
        return shop.at(self.bay.branch) if shop.several_branches else shop

    @property
    def elsewhere(self) -> str:
        """The name of its branch, where the person who looks does not work there; `bay` read with
        it."""
        if branches.here() is None:
            return ""
        key = self.bay.branch_id
        return branches.name_of(key) if branches.is_elsewhere(key) else ""

    @property
    def open_url(self) -> str:
        """Where whoever looks reads of it: its page; of a branch in which they do not work its
        first signed sheet, or nothing while none is signed."""
        if not self.elsewhere:
            return self.get_absolute_url()
        return reverse("sheet", args=[self.number, 1]) if self.stage in SIGNED else ""

    @property
    def sheet_is_open(self) -> bool:
        """The bay sheet takes entries."""
        return sheet_is_open(self.stage, self.correction)

    @property
    def takes_changes(self) -> bool:
        """Parts and photos may still be added and changed."""
        return self.stage in BEFORE_REVIEW or self.sheet_is_open

    @property
    def in_review(self) -> bool:
        """The sheet, or its correction, is with the manager."""
        return self.stage == Stage.READY_FOR_REVIEW or self.correction == Correction.IN_REVIEW

    @property
    def waiting_since(self) -> datetime:
        """Since when the job is where it is: its correction, or else its stage."""
        return self.correction_since or self.stage_since

    @property
    def standing(self) -> str:
        """Where the job stands, in a sentence: collected, correction open."""
        corrected = f", {self.get_correction_display().lower()}" if self.correction else ""
        return f"{self.get_stage_display().lower()}{corrected}"


class JobPartQuerySet(models.QuerySet["JobPart"]):
    def with_serial(self, text: str) -> "JobPartQuerySet":
        """Parts with this serial number, in capitals or not; none for a text too short for one."""
        serial = text.strip().upper()
        if len(serial) < SHORTEST_SERIAL:
            return self.none()
        return self.annotate(serial_upper=Upper("serial")).filter(serial_upper=serial)


SHORTEST_SERIAL: Final = 4


class JobPart(models.Model):
    """A catalogue product in the job. `label` names it in the plan: A1, P1, M1, C3."""

    job = models.ForeignKey(Job, models.CASCADE, related_name="parts")
    product = models.ForeignKey("shop.Product", models.PROTECT, related_name="job_parts")
    label = models.CharField(max_length=10, editable=False)
    quantity = models.PositiveSmallIntegerField(default=1)
    serial = models.CharField("serial number", max_length=60, blank=True)
    firmware = models.CharField(max_length=40, blank=True)
    turn_on = models.CharField(max_length=20, choices=TurnOn, blank=True)
    turn_on_by = models.ForeignKey("self", models.SET_NULL, null=True, blank=True, related_name="+")
    input_from = models.CharField(
        "signal from the car", max_length=16, choices=InputFrom, blank=True
    )
    digital_input = models.CharField("digital input", max_length=12, blank=True)
    input_from_v = models.FloatField(
        "highest voltage of that signal, V",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.01), MaxValueValidator(100)],
    )
    note = models.CharField(max_length=200, blank=True)
    data_file = models.CharField("file or profile", max_length=120, blank=True)
    options = models.CharField("options and switches set", max_length=300, blank=True)
    firmware_before = models.CharField("firmware before", max_length=40, blank=True)
    written_with = models.CharField("written with computer", max_length=80, blank=True)
    written_cable = models.CharField("written over cable", max_length=80, blank=True)
    backup = models.CharField("backup of the old state is kept", max_length=120, blank=True)
    no_backup = models.BooleanField("gives no backup", default=False)
    state_name = models.CharField("settings stored as", max_length=60, blank=True)
    state_slot = models.CharField("in slot", max_length=20, blank=True)
    state_device = models.CharField("stored from", max_length=60, blank=True, editable=False)
    state_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    state_at = models.DateTimeField(null=True, blank=True, editable=False)
    beyond = models.CharField("set beyond the list", max_length=200, blank=True, editable=False)
    beyond_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        editable=False,
    )
    beyond_at = models.DateTimeField(null=True, blank=True, editable=False)
    mount_place = models.CharField("mounted where", max_length=80, blank=True)
    fixings = models.CharField(max_length=120, blank=True)
    torque_nm = models.FloatField(
        "torque, N·m",
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1), MaxValueValidator(200)],
    )
    drilled = models.CharField("drilled or cut", max_length=120, blank=True)
    version = models.PositiveIntegerField(default=1, editable=False)

    objects = JobPartQuerySet.as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["job", "label"], name="part_label_once_a_job"),
        ]
        indexes = [models.Index(Upper("serial"), name="part_serial_upper")]

    def __str__(self) -> str:
        return f"{self.label} {self.product}"

    @property
    def asks_digital_input(self) -> bool:
        """Its signal comes over a digital line and it has more than one input for it, or says
        which."""
        several = len(self.product.digital_input_names) > 1
        return self.input_from == InputFrom.DIGITAL and (several or bool(self.digital_input))

    @property
    def lacks_backup(self) -> bool:
        """Its old state was read and then written over, and nothing says where that is kept."""
        return is_overwritten(self.firmware_before, self.firmware, self.data_file) and not (
            self.backup or self.no_backup
        )


def is_overwritten(firmware_before: str, firmware: str, data_file: str) -> bool:
    """Something stood in a part that has been replaced: its firmware is another one now, or a file
    was put in over what had been read. A part that came empty has nothing before."""
    if not firmware_before.strip():
        return False
    changed = bool(firmware.strip()) and firmware.strip() != firmware_before.strip()
    return changed or bool(data_file.strip())
