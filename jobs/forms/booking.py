"""What the desk types when booking, kept whole whatever is wrong with it."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any, Final

from django import forms
from django.db.models import Case, Q, When
from django.http import QueryDict
from django.urls import reverse_lazy
from django.utils import timezone
from django.utils.functional import lazy
from django.utils.translation import gettext, gettext_noop as kept

from jobs import wording
from jobs.forms.vehicles import VehicleForm
from jobs.lifecycle import SIGNED
from jobs.models import Job, Stay, WorkKind
from jobs.reads.board import first_free
from jobs.services.booking import Booking, People, Slot, WantedPart
from shop import branches
from shop.forms.people import CustomerForm
from shop.forms.vehicles import VehicleModelForm
from shop.kept_words import told
from shop.models import Bay, Customer, Product, StaffMember, Vehicle, VehicleModel
from shop.models.shop import BayQuerySet
from shop.typed import day as day_of, moment, sane_day, whole

CHOSEN: Final = "chosen"
NEW: Final = "new"
SEARCH: Final = "search"


def _of_moment(label: str, part: str) -> str:
    return f"{told(label)}, {gettext(part)}"


_part = lazy(_of_moment, str)


def moment_field(label: str, step_s: int = 300) -> forms.SplitDateTimeField:
    """A day and a time of the shop's own clock."""
    field = forms.SplitDateTimeField(
        label=label,
        input_date_formats=["%Y-%m-%d"],
        input_time_formats=["%H:%M", "%H:%M:%S"],
        widget=forms.SplitDateTimeWidget(
            date_format="%Y-%m-%d",
            time_format="%H:%M",
            date_attrs={"type": "date", "aria-label": _part(label, kept("day"))},
            time_attrs={
                "type": "time",
                "aria-label": _part(label, kept("time")),
                "step": str(step_s),
            },
        ),
        error_messages={
            "required": "Give a day and a time.",
            "invalid_date": "Give a day.",
            "invalid_time": "Give a time.",
        },
    )
    field.fields[0].validators.append(sane_day)
    return field


class EarlierJobField(forms.ModelChoiceField):  # type: ignore[type-arg]  # so in its stubs alone
    """An earlier job of the car, by its day and what was wanted."""

    def label_from_instance(self, obj: Job) -> str:
        return f"{obj}, {wording.day(obj.starts_at)}: {obj.wants[:60]}"


OPENS_THE_EARLIER: Final = {
    "hx-get": reverse_lazy("earlier_job"),
    "hx-trigger": "change",
    "hx-target": "#earlier-job",
    "hx-swap": "outerHTML",
    "hx-include": "[name=work_kind]:checked",
}
"""The earlier job is shown as soon as it is chosen."""


def bays_for(job: Job) -> BayQuerySet:
    """The bays into which a job may be moved: those in use in the person's branches, those of its
    own first, and where it stands."""
    bays = Bay.objects.filter(
        Q(branches.own(), active=True, branch__active=True) | Q(pk=job.bay_id)
    )
    if branches.here() is None:
        return bays
    stays = Case(When(branch=job.bay.branch_id, then=0), default=1)
    return bays.select_related("branch").order_by(stays, "branch__order", "order", "name")


class BayField(forms.ModelChoiceField):  # type: ignore[type-arg]  # generic in its stubs alone
    """Bays by name, those of another branch than the one looked at with its name."""

    def label_from_instance(self, obj: Bay) -> str:
        reach = branches.here()
        if reach is None or obj.branch_id in reach.shown_keys:
            return str(obj)
        return f"{reach.named(obj.branch_id)}: {obj}"


class SlotForm(forms.Form):
    """Wishes, bay, times, promise, technician and comeback of a job."""

    wants = forms.CharField(
        label="What the customer wants",
        widget=forms.Textarea({"rows": 3, "data-span": "all"}),
        help_text="In their words. It stands on the bay sheet and the install sheet.",
    )
    bay = BayField(Bay.objects.none(), widget=forms.RadioSelect({"class": "segmented"}))
    starts_at = moment_field("In the bay from")
    ends_at = moment_field("In the bay until")
    promised_at = moment_field("Promised for")
    technician = forms.ModelChoiceField(
        StaffMember.objects.none(),
        required=False,
        empty_label="Whoever is free",
    )
    stay = forms.ChoiceField(
        label="Meanwhile the customer",
        choices=Stay.choices,
        required=False,
        widget=forms.RadioSelect({"class": "segmented"}),
    )
    work_kind = forms.ModelChoiceField(
        WorkKind.objects.in_use(),
        required=False,
        blank=True,
        label="Kind of work",
        empty_label="Say it later",
        widget=forms.RadioSelect({"class": "segmented"}),
        help_text="Lays out the shop's steps for it on the bay sheet.",
    )
    comeback_of = EarlierJobField(
        Job.objects.none(),
        required=False,
        label="Comeback of",
        empty_label="No, this is new work",
        help_text="Choose the job this visit answers for.",
        widget=forms.Select(OPENS_THE_EARLIER),
    )

    def __init__(
        self, *args: Any, vehicle: Vehicle | None = None, job: Job | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.job = job
        self._choice("bay").queryset = Bay.objects.in_use() if job is None else bays_for(job)
        technicians = branches.technicians(everywhere=job is not None)
        self._choice("technician").queryset = StaffMember.objects.filter(technicians)
        if job is not None:
            del self.fields["work_kind"], self.fields["stay"]
            for name in OPENS_THE_EARLIER:
                del self.fields["comeback_of"].widget.attrs[name]
        if vehicle is not None and vehicle.pk:
            stands = job.comeback_of_id if job is not None else None
            earlier = Job.objects.filter(Q(stage__in=SIGNED) | Q(pk=stands), vehicle=vehicle)
            if job is not None:
                earlier = earlier.filter(pk__lt=job.pk)
            self._choice("comeback_of").queryset = earlier.order_by("-pk")
        earlier_jobs = self._choice("comeback_of").queryset
        self.has_earlier = earlier_jobs is not None and earlier_jobs.exists()

    def _choice(self, name: str) -> "forms.ModelChoiceField[Any]":
        field = self.fields[name]
        assert isinstance(field, forms.ModelChoiceField)
        return field

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        ends_at = cleaned.get("ends_at")
        moved = self.job is None or ends_at != self.job.ends_at
        if ends_at is not None and moved and ends_at < timezone.now():
            self.add_error("ends_at", gettext("That time is over already: check the day."))
        return cleaned


USUAL_LENGTH: Final = timedelta(hours=4)
LONGEST_MIN: Final = 60 * 24 * 5


def first_slot(day: str = "") -> dict[str, Any]:
    """Bay and times a new booking starts with: the first room from the day asked for."""
    from_day = max(day_of(day) or timezone.localdate(), timezone.localdate())
    room = first_free(USUAL_LENGTH, from_day)
    if room is None:
        return {"bay": Bay.objects.in_use().first()}
    bay, starts_at = room
    ends_at = starts_at + USUAL_LENGTH
    promised_at = ends_at + timedelta(hours=1)
    return {"bay": bay, "starts_at": starts_at, "ends_at": ends_at, "promised_at": promised_at}


def asked_slot(asked: Mapping[str, Any]) -> dict[str, Any] | None:
    """Bay and times that an address asks for, None when it asks for none."""
    bay = Bay.objects.in_use().filter(pk=whole(asked.get("bay")) or 0).first()
    starts_at = moment(asked.get("day"), asked.get("at"))
    minutes = whole(asked.get("minutes"), 15, LONGEST_MIN)
    if bay is None or starts_at is None or minutes is None:
        return None
    ends_at = starts_at + timedelta(minutes=minutes)
    return {
        "bay": bay,
        "starts_at": starts_at,
        "ends_at": ends_at,
        "promised_at": ends_at + timedelta(hours=1),
    }


class PartLine:
    """A line of parts as typed."""

    def __init__(self, product: Product, quantity: str = "1") -> None:
        self.product = product
        self.quantity = quantity
        self.error = ""

    @property
    def number(self) -> int:
        return whole(self.quantity) or 0


def part_lines(data: QueryDict) -> list[PartLine]:
    """The lines of parts in a submitted form, in order; unknown products are left out."""
    pairs = list(zip(data.getlist("part_product"), data.getlist("part_quantity"), strict=False))
    products = Product.objects.in_bulk(list(filter(None, (whole(key) for key, _ in pairs))))
    lines = ((products.get(whole(key) or 0), quantity) for key, quantity in pairs)
    return [PartLine(product, quantity) for product, quantity in lines if product is not None]


class Draft:
    """One booking as typed: who, which car, what, when, with which parts.

    `*_mode` says how each of customer, vehicle and vehicle model stands on the page: chosen from
    the book, new with a form, or still being searched for.
    """

    def __init__(self, data: QueryDict | None, **initial: Any) -> None:
        self.data = data
        self.said: list[str] = []
        given = data if data is not None else QueryDict()
        self.customer, self.customer_mode = chosen(Customer, given, "customer", "customer_mode")
        self.vehicle, self.vehicle_mode = chosen(Vehicle, given, "vehicle", "vehicle_mode")
        self.vehicle_model, self.model_mode = chosen(
            VehicleModel, given, "vehicle_model", "model_mode"
        )
        if data is None:
            self._begin(initial.get("customer"), initial.get("vehicle"))
        self.customer_form = CustomerForm(self._bound(self.customer_mode), prefix="customer")
        self.vehicle_form = VehicleForm(self._bound(self.vehicle_mode), prefix="vehicle")
        self.model_form = VehicleModelForm(
            self._bound(self.model_mode) if self.vehicle_mode == NEW else None, prefix="model"
        )
        self.slot_form = SlotForm(data, vehicle=self.vehicle, initial=initial.get("slot", {}))
        self.parts = part_lines(given)
        self.owner_changes = given.get("owner_changes") == "on"

    def _begin(self, customer: Customer | None, vehicle: Vehicle | None) -> None:
        if customer is not None:
            self.customer, self.customer_mode = customer, CHOSEN
        if vehicle is not None:
            self.vehicle, self.vehicle_mode = vehicle, CHOSEN

    def _bound(self, mode: str) -> QueryDict | None:
        return self.data if mode == NEW else None

    def is_valid(self) -> bool:
        """Whether everything needed is there; otherwise `said` and the forms say what is not."""
        good = self.slot_form.is_valid() & self.people_are_valid()
        for line in self.parts:
            if not line.number:
                line.error = "Give a whole number of pieces."
                good = False
        return good and not self.said

    def people_are_valid(self) -> bool:
        """Whether customer and vehicle are there; otherwise `said` and their forms say what is
        not."""
        good = True
        if self.customer_mode == SEARCH:
            self.said.append("Choose the customer from the list, or make a new one.")
        elif self.customer_mode == NEW:
            good &= self.customer_form.is_valid()
        if self.vehicle_mode == SEARCH:
            self.said.append("Choose the vehicle from the list, or make a new one.")
        elif self.vehicle_mode == NEW:
            good &= self.vehicle_form.is_valid()
            if self.model_mode == SEARCH:
                self.said.append("Choose the vehicle model from the list, or make a new one.")
            elif self.model_mode == NEW:
                good &= self.model_form.is_valid()
        return good and not self.said

    def people(self) -> People:
        """Customer and vehicle as said; only after `people_are_valid`."""
        model = self.vehicle_model
        if self.vehicle_mode == NEW:
            model = model or self.model_form.save(commit=False)
        return People(
            customer=self.customer or self.customer_form.save(commit=False),
            vehicle=self.vehicle or self.vehicle_form.save(commit=False),
            vehicle_model=model,
            customer_owns_vehicle=self.owner_changes,
        )

    def booking(self) -> Booking:
        """The booking this draft asks for; only after `is_valid`."""
        slot = self.slot_form.cleaned_data
        return Booking(
            **vars(self.people()),
            slot=Slot(slot["bay"], slot["starts_at"], slot["ends_at"]),
            promised_at=slot["promised_at"],
            wants=slot["wants"],
            technician=slot["technician"],
            comeback_of=slot["comeback_of"],
            stay=slot["stay"],
            work_kind=slot["work_kind"],
            parts=[WantedPart(line.product, line.number) for line in self.parts],
        )


def chosen(model: Any, data: QueryDict, key: str, mode: str) -> tuple[Any, str]:
    """The row picked in a part of the page, if any, and how that part stands."""
    row = model.objects.filter(pk=whole(data.get(key))).first()
    if row is not None:
        return row, CHOSEN
    return None, NEW if data.get(mode) == NEW else SEARCH
