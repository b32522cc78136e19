"""The parts of the booking page that answer while the desk types: lists to pick from, the bays'
day, what can be said of a VIN."""

from datetime import datetime, timedelta
from typing import Any, Final

from django.http import HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from jobs.forms.booking import CHOSEN, NEW, SEARCH, PartLine, SlotForm
from jobs.forms.vehicles import VehicleForm, known_vehicles, vin_report
from jobs.models import Job, WorkKind
from jobs.reads.board import BayDay, Stretch, bay_days
from jobs.services.booking import Slot, doubts
from jobs.services.lengths import Usual, usual_length
from shop import branches
from shop.access import allow, allow_any_staff
from shop.forms.people import CustomerForm
from shop.forms.vehicles import VehicleModelForm
from shop.http import Request
from shop.models import Bay, Customer, Product, StaffMember, Vehicle, VehicleModel
from shop.roles import DESK
from shop.typed import day as day_of, line, moment, whole
from shop.vin_origin import origin_of

MOST_OPTIONS: Final = 8
QUARTER: Final = timedelta(minutes=15)


@allow(*DESK)
def customer_options(request: Request) -> HttpResponse:
    """Customers that match what is typed."""
    text = line(request.GET.get("customer_search"))
    customers = Customer.objects.listed(text)[:MOST_OPTIONS] if text else []
    return render(request, "booking/customer_options.html", {"found": customers, "text": text})


@allow(*DESK)
def customer_pick(request: Request) -> HttpResponse:
    """The customer's part of the page: chosen, new, or searching again."""
    context = customer_context(request.GET)
    return render(request, "booking/customer.html", context)


def customer_context(asked: QueryDict) -> dict[str, Any]:
    """What `booking/customer.html` shows for an address."""
    customer = _get(Customer, asked.get("customer"))
    mode = _mode(customer, asked)
    typed = line(asked.get("customer_search"))
    digits = sum(map(str.isdigit, typed))
    initial = {"phone" if digits > 3 else "email" if "@" in typed else "name": typed}
    form = CustomerForm(prefix="customer", initial=initial)
    form.fields["name"].widget.attrs["autofocus"] = True
    return {
        "mode": mode,
        "customer": customer,
        "customer_form": form,
        "no_new": "no_new" in asked,
        "swapped": True,
    }


@allow(*DESK)
def vehicle_options(request: Request) -> HttpResponse:
    """Vehicles whose plate or VIN matches what is typed."""
    text = line(request.GET.get("vehicle_search"))
    vehicles = Vehicle.objects.matching(text).select_related("vehicle_model", "owner")[
        :MOST_OPTIONS
    ]
    return render(request, "booking/vehicle_options.html", {"found": vehicles, "text": text})


@allow(*DESK)
def vehicle_pick(request: Request) -> HttpResponse:
    """The vehicle's part of the page; the owner comes along when nobody was chosen yet. Where whose
    job it is and which car comes is all that is asked, so is not what it is a comeback of."""
    asked = request.GET
    vehicle = _get(Vehicle.objects.select_related("vehicle_model", "owner"), asked.get("vehicle"))
    customer = _get(Customer, asked.get("customer"))
    mode = _mode(vehicle, asked)
    typed = "".join(filter(str.isalnum, line(asked.get("vehicle_search")).upper()))
    initial = {"vin" if len(typed) > 10 else "plate": typed}
    searching = not customer and asked.get("customer_mode", SEARCH) == SEARCH
    brings_owner = mode == CHOSEN and searching
    context = {
        "vehicle_mode": mode,
        "vehicle": vehicle,
        "vehicle_form": VehicleForm(prefix="vehicle", initial=initial),
        "model_mode": SEARCH,
        "form": None if "people_only" in asked else SlotForm(vehicle=vehicle),
        "customer": vehicle.owner if brings_owner and vehicle else customer,
        "brings_owner": brings_owner,
        "mode": CHOSEN,
        "swapped": True,
    }
    return render(request, "booking/vehicle_swap.html", context)


@allow(*DESK)
def model_options(request: Request) -> HttpResponse:
    """Vehicle models that match what is typed."""
    text = line(request.GET.get("model_search"))
    models = VehicleModel.objects.matching(text)[:MOST_OPTIONS] if text else []
    return render(request, "booking/model_options.html", {"found": models, "text": text})


@allow(*DESK)
def model_pick(request: Request) -> HttpResponse:
    """The vehicle model's part of the page."""
    asked = request.GET
    model = _get(VehicleModel, asked.get("vehicle_model"))
    make, _, rest = line(asked.get("model_search")).partition(" ")
    context = {
        "model_mode": _mode(model, asked),
        "vehicle_model": model,
        "model_form": VehicleModelForm(prefix="model", initial={"make": make, "model": rest}),
        "swapped": True,
    }
    return render(request, "booking/model.html", context)


@allow_any_staff
def part_options(request: Request) -> HttpResponse:
    """Products on offer that match what is typed; `to` says what picking one does."""
    text = line(request.GET.get("part_search"))
    products = Product.objects.offered().matching(text)[: 2 * MOST_OPTIONS] if text else []
    job = _get(Job, request.GET.get("job"))
    estimate = whole(request.GET.get("estimate"))
    context = {"found": products, "text": text, "job": job, "estimate": estimate}
    return render(request, "booking/part_options.html", context)


@allow(*DESK)
def part_line(request: Request, pk: int) -> HttpResponse:
    """A fresh line for a product."""
    product = get_object_or_404(Product, pk=pk)
    return render(request, "booking/part_line.html", {"line": PartLine(product)})


@allow(*DESK)
def day(request: Request) -> HttpResponse:
    """The bays' day around the slot as it stands on the form."""
    but = _get(Job.objects.filter(branches.own("bay__branch")), request.GET.get("job"))
    values = {name: request.GET.get(name, "") for name in _SLOT_NAMES}
    context = day_context(values, but=but)
    context["usual"] = _usual(request.GET, but)
    return render(request, "booking/day.html", context)


def _usual(asked: QueryDict, job: Job | None) -> Usual | None:
    """How long the kind of work on the form usually takes on the car on the form."""
    kind = job.work_kind if job else _get(WorkKind, asked.get("work_kind"))
    vehicle = job.vehicle if job else _get(Vehicle, asked.get("vehicle"))
    model = vehicle.vehicle_model if vehicle else _get(VehicleModel, asked.get("vehicle_model"))
    return usual_length(kind, model)


_SLOT_NAMES: Final = (
    "bay",
    "starts_at_0",
    "starts_at_1",
    "ends_at_0",
    "ends_at_1",
    "promised_at_0",
    "promised_at_1",
    "technician",
)


def day_context(values: dict[str, Any], but: Job | None = None) -> dict[str, Any]:
    """The bays' day for bay and times as typed, with the wanted slot laid over it."""
    starts, ends = _typed(values, "starts_at"), _typed(values, "ends_at")
    shown = day_of(values.get("starts_at_0")) or timezone.localdate()
    bay = str(getattr(values.get("bay"), "pk", values.get("bay")) or "")
    chosen = _get(Bay.objects.filter(branches.own()), bay)
    with branches.looking_at({chosen.branch_id} if chosen else ()):
        days = bay_days(shown, but=but.pk if but else None)
    clash = None
    if starts and ends and starts < ends and chosen:
        clash = (
            Job.objects.clashing(chosen.pk, starts, ends, but=but.pk if but else None)
            .select_related("bay")
            .order_by("starts_at")
            .first()
        )
    speaks_against: list[str] = []
    if starts and ends and starts < ends and chosen:
        technician = _get(StaffMember, str(values.get("technician") or ""))
        promised = _typed(values, "promised_at")
        speaks_against = doubts(Slot(chosen, starts, ends), promised, technician, but)
    strips = [Strip(bay_day, starts, ends, str(bay_day.bay.pk) == bay) for bay_day in days]
    return {
        "day": shown,
        "closed": days[0].hours.closed if days else "",
        "strips": strips,
        "clash": clash,
        "doubts": speaks_against,
        "job": but,
    }


def _typed(values: dict[str, Any], name: str) -> datetime | None:
    return moment(values.get(f"{name}_0"), values.get(f"{name}_1"))


class Block:
    """A stretch as drawn: left edge and width on a strip of WIDTH units."""

    def __init__(self, x: float, width: float, label: str) -> None:
        self.x = round(x, 1)
        self.width = round(max(width, 2), 1)
        self.middle = round(x + width / 2, 1)
        self.label = label if width > 52 else ""


def _still_free(bay_day: BayDay) -> list[Stretch]:
    """The free stretches that are not over, from the next quarter of an hour on."""
    now = timezone.now().replace(second=0, microsecond=0)
    soon = now + QUARTER - timedelta(minutes=now.minute % 15)
    free = [Stretch(max(stretch.starts_at, soon), stretch.ends_at) for stretch in bay_day.free]
    return [stretch for stretch in free if stretch.ends_at - stretch.starts_at >= QUARTER]


class Strip:
    """A bay's day as a strip: busy blocks, the wanted slot, hours, and the free times in words."""

    WIDTH: Final = 800

    def __init__(
        self, bay_day: BayDay, starts: datetime | None, ends: datetime | None, chosen: bool
    ) -> None:
        self.bay_day = bay_day
        self.bay = bay_day.bay
        self.chosen = chosen
        self.busy = [self._block(s.starts_at, s.ends_at, str(s.job)) for s in bay_day.busy]
        self.wanted = None
        if chosen and starts and ends and starts < bay_day.closes_at and ends > bay_day.opens_at:
            self.wanted = self._block(
                max(starts, bay_day.opens_at), min(ends, bay_day.closes_at), ""
            )
        self.hours = self._hours()
        self.free = _still_free(bay_day)

    def _x(self, moment: datetime) -> float:
        whole = (self.bay_day.closes_at - self.bay_day.opens_at).total_seconds()
        return (moment - self.bay_day.opens_at).total_seconds() / whole * self.WIDTH

    def _block(self, starts: datetime, ends: datetime, label: str) -> Block:
        x = self._x(starts)
        return Block(x, self._x(ends) - x, label)

    def _hours(self) -> list[Block]:
        opens = timezone.localtime(self.bay_day.opens_at)
        closes = timezone.localtime(self.bay_day.closes_at)
        last = 24 if closes.date() > opens.date() else closes.hour
        first = opens.hour + (1 if opens.minute else 0)
        step = 1 if last - first <= 14 else 2
        return [
            Block(self._x(opens.replace(hour=hour, minute=0)), 60, f"{hour:02d}")
            for hour in range(first, last, step)
        ]


@allow(*DESK)
def vin(request: Request) -> HttpResponse:
    """What can be said of the VIN being typed; `prefix` names the form it stands in, `but` the
    car it belongs to."""
    prefix = "vehicle-" if request.GET.get("prefix") == "vehicle" else ""
    typed = line(request.GET.get(f"{prefix}vin"))
    report = vin_report(typed) if typed.strip() else None
    but = whole(request.GET.get("but")) or 0
    context = {
        "report": report,
        "origin": origin_of(report.vin) if report else None,
        "known": known_vehicles(vin=report.vin).exclude(pk=but)[:3] if report else (),
        "booking": "booking" in request.GET,
        "prefix": prefix,
        "confirmed": request.GET.get(f"{prefix}vin_confirmed") == "on",
        "year": request.GET.get(f"{prefix}year", ""),
    }
    return render(request, "vehicles/vin_report.html", context)


def _mode(chosen: Any, asked: QueryDict) -> str:
    if chosen is not None:
        return CHOSEN
    return NEW if asked.get("mode") == NEW else SEARCH


def _get(source: Any, key: str | None) -> Any:
    queryset = getattr(source, "objects", source)
    return queryset.filter(pk=whole(key)).first()
