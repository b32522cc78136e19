"""Puts the demo shop into an empty database, through the services the screens use."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from django.contrib.auth.hashers import make_password
from django.db import transaction
from django.utils import timezone

from deploy.demo import catalogue, people, schedule, steps, vehicles
from deploy.demo.bay_sheet import fill
from deploy.demo.clock import at
from deploy.demo.schedule import DemoJob
from deploy.demo.signature import scribble
from jobs.lifecycle import PATH, Stage
from jobs.models import Job
from jobs.plan.document import findings_of
from jobs.services import estimates
from jobs.services.booking import Booking, Slot, WantedPart, book
from jobs.services.check_in import Mark, save_check_in, sign_check_in
from jobs.services.comebacks import start_with_usual_causes
from jobs.services.moves import move
from jobs.setups.library import approve_setup, create_setup
from jobs.sheet.sign_off import collect_job, give_reason, sign_off_job
from shop.models import (
    Bay,
    Customer,
    OpenHours,
    PlugTable,
    Product,
    ProductRating,
    Shop,
    StaffMember,
    TaxRate,
    Vehicle,
    VehicleModel,
)
from shop.services import events
from shop.services.plugs import save_cavities, save_plug
from shop.services.products import rating_facts, ratings_of
from shop.vin import examine

REACHED = {stage: place for place, stage in enumerate(PATH)}


class Loader:
    """One loading. `say` is told what is being done."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self.say = say
        self.now = timezone.now()
        zone = ZoneInfo(people.SHOP["time_zone"])
        self.zone = zone
        opened = timedelta(hours=people.OPEN[0].hour)
        self.today: date = (self.now.astimezone(zone) - opened).date()
        self.staff: dict[str, StaffMember] = {}
        self.customers: dict[str, Customer] = {}
        self.products: dict[str, Product] = {}
        self.vehicles: dict[str, Vehicle] = {}
        self.bays: dict[str, Bay] = {}
        self.jobs: dict[str, Job] = {}

    @transaction.atomic
    def load(self) -> None:
        """Make everything, or nothing."""
        self.say("The shop, its people and its catalogue")
        self._shop()
        self._people()
        self._catalogue()
        self._vehicles()
        steps.usual()
        start_with_usual_causes(self.staff["odile"])
        for place, one in enumerate(schedule.JOBS, 1):
            self.say(f"Job {place} of {len(schedule.JOBS)}: {one.wants}")
            self._job(one)
        self._estimate()

    def _estimate(self) -> None:
        """Parts and hours, and a line that carries another tax than the usual one."""
        number, clerk = self.jobs[schedule.ESTIMATED].number, self.staff["maud"]
        estimates.fill(number, clerk)
        name, percent = people.OTHER_TAX
        rate = TaxRate.objects.create(name=name, percent=percent)
        estimates.add_line(
            number, {"kind": "other", **people.OTHER_LINE, "tax_rate": rate}, actor=clerk
        )

    def _shop(self) -> None:
        shop = Shop.objects.current()
        for name, value in people.SHOP.items():
            setattr(shop, name, value)
        shop.full_clean()
        shop.save()
        opens_at, closes_at = people.OPEN
        OpenHours.objects.bulk_create(
            OpenHours(weekday=weekday, opens_at=opens_at, closes_at=closes_at)
            for weekday in range(7)
        )
        for order, (name, note) in enumerate(people.BAYS):
            self.bays[name] = Bay.objects.create(name=name, note=note, order=order)

    def _people(self) -> None:
        for one in people.STAFF:
            staff = StaffMember(
                username=one.username,
                name=one.name,
                email=f"{one.username}@heronsway.example",
                is_front_desk=one.front_desk,
                is_technician=one.technician,
                is_manager=one.manager,
            )
            staff.set_password(one.password)
            staff.pin = make_password(one.pin) if one.pin else ""
            staff.full_clean()
            events.save(staff, None, after={"password": events.SET})
            self.staff[one.username] = staff
        for who in people.CUSTOMERS:
            customer = Customer(
                name=who.name,
                phone=who.phone,
                email=who.email,
                address=who.address,
                note=who.note,
            )
            customer.full_clean()
            events.save(customer, self.staff["maud"])
            self.customers[who.key] = customer

    def _catalogue(self) -> None:
        for one in catalogue.PRODUCTS:
            product = Product(**one.fields)
            product.full_clean()
            product.save()
            ProductRating.objects.bulk_create(
                ProductRating(product=product, load_ohm=load, power_w=power, bridged=bridged)
                for load, power, bridged in one.ratings
            )
            powers = rating_facts(ratings_of(product))
            events.log_saved(None, product, self.staff["odile"], after=powers)
            self.products[one.key] = product

    def _vehicles(self) -> None:
        models = {}
        for one in vehicles.MODELS:
            model = VehicleModel(**{k: v for k, v in one._asdict().items() if k != "key"})
            model.full_clean()
            events.save(model, self.staff["maud"])
            models[one.key] = model
        for plug in vehicles.PLUGS:
            table = PlugTable(
                vehicle_model=models[plug.model],
                **{name: getattr(plug, name) for name in ("name", "rows", "columns", "note")},
            )
            table.full_clean()
            save_plug(table, self.staff["idris"])
            save_cavities(table, plug.cavities, self.staff["idris"])
        for car in vehicles.VEHICLES:
            vehicle = Vehicle(
                owner=self.customers[car.owner],
                vehicle_model=models[car.model],
                plate=car.plate,
                vin=car.vin,
                vin_odd=examine(car.vin).needs_confirmation,
                year=car.year,
                colour=car.colour,
                note=car.note,
            )
            vehicle.full_clean()
            events.save(vehicle, self.staff["maud"])
            self.vehicles[car.key] = vehicle

    def _moment(self, day: int, hour: int) -> datetime:
        return datetime.combine(
            self.today + timedelta(days=day), time(hour), tzinfo=self.zone
        ).astimezone(self.now.tzinfo)

    def at(self, moment: datetime, minutes: int = 0) -> AbstractContextManager[None]:
        """The demo clock at a moment, never later than now."""
        return at(min(moment + timedelta(minutes=minutes), self.now))

    def _job(self, one: DemoJob) -> None:
        starts = self._moment(one.day, one.hour)
        ends = starts + timedelta(hours=one.hours)
        desk = self.staff["maud"]
        vehicle = self.vehicles[one.vehicle]
        technician = self.staff[one.technician] if one.technician else None
        wanted = one.work.parts if one.work else one.parts
        with self.at(self._moment(one.day - one.booked_days_before, 10), 12):
            job = book(
                Booking(
                    customer=vehicle.owner,
                    vehicle=vehicle,
                    slot=Slot(self.bays[one.bay], starts, ends),
                    promised_at=self._moment(*one.promised),
                    wants=one.wants,
                    technician=technician,
                    comeback_of=self.jobs[one.comeback_of] if one.comeback_of else None,
                    parts=[WantedPart(self.products[key], count) for key, count in wanted],
                ),
                desk,
            )
            steps.choose(job, one, desk)
        self.jobs[one.key] = job
        if one.stage in {Stage.ON_HOLD, Stage.CANCELLED}:
            with self.at(self.now, -150):
                move(job.pk, "hold" if one.stage == Stage.ON_HOLD else "cancel", desk, one.reason)
            return
        reached = REACHED[Stage(one.stage)]
        if reached >= REACHED[Stage.CHECKED_IN]:
            with self.at(min(starts, self.now - timedelta(minutes=65)), -25):
                self._check_in(one, job)
        if reached >= REACHED[Stage.IN_BAY]:
            with self.at(starts, 5):
                move(job.pk, "start_work", technician or self.staff["idris"])
            assert one.work is not None
            assert technician is not None
            fill(self, job, one.work, technician, starts, ends, one.finished)
            steps.work_through(self, job, one, technician, starts, ends)
        if reached >= REACHED[Stage.READY_FOR_REVIEW]:
            with self.at(ends, -10):
                move(job.pk, "finish", technician or self.staff["idris"])
        if reached >= REACHED[Stage.SIGNED_OFF]:
            with self.at(ends, 45):
                self._sign_off(one, job)
        if reached >= REACHED[Stage.COLLECTED]:
            with self.at(self._moment(*one.promised), -35):
                collect_job(
                    job.pk,
                    self.staff["maud"],
                    job.customer.name,
                    scribble(job.customer.name),
                )

    def _sign_off(self, one: DemoJob, job: Job) -> None:
        manager = self.staff["odile"]
        for finding in findings_of(job):
            if one.work and (reason := one.work.reasons.get(finding.rule)):
                give_reason(job.pk, finding.fingerprint, reason, manager)
        sheet = sign_off_job(job.pk, manager)
        if one.setup_name:
            setup = create_setup(sheet.pk, one.setup_name, one.setup_note, manager)
            if one.setup_approved:
                approve_setup(setup.pk, manager)

    def _check_in(self, one: DemoJob, job: Job) -> None:
        car = next(car for car in vehicles.VEHICLES if car.key == one.vehicle)
        check_in = save_check_in(
            job.pk,
            {
                "odometer": car.odometer + one.driven_km,
                "odometer_unit": "km",
                "energy_percent": one.energy_percent,
                "keys_count": 1,
                "keys_note": f"Hook {job.number % 20}",
                "customer_report": one.report,
            },
            [Mark(*mark) for mark in one.marks],
            version=0,
            actor=self.staff["maud"],
        )
        sign_check_in(
            job.pk,
            signed_name=job.customer.name,
            signature=scribble(job.customer.name),
            version=check_in.version,
            actor=self.staff["maud"],
        )
