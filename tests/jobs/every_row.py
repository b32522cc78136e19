"""A job with a row in every table that belongs to a job."""

from decimal import Decimal

from django.core.files.base import ContentFile
from django.db import models
from django.utils import timezone

from jobs import frozen, own_certificates, signing
from jobs.lifecycle import Stage
from jobs.models import (
    ChannelSetting,
    EnteredSetting,
    FactorySum,
    FaultCodes,
    InstallSheet,
    Job,
    JobSpeaker,
    SavedSetup,
    SeatDistance,
    SetupEvent,
    SetupUse,
    SetupVersion,
    SheetReceipt,
    SigningCertificate,
    TimeEntry,
    TuningFacts,
)
from jobs.services.check_in import Mark, save_check_in, sign_check_in
from jobs.services.estimates import Estimate, approve, note_payment
from jobs.services.events import log
from jobs.services.notes import add_note
from shop.frozen import model_of
from shop.models import ProductKind, StaffMember
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import make_job, make_photo, make_product, make_staff


def every_row(stage: Stage = Stage.SIGNED_OFF) -> Job:
    """A job at `stage` with at least one row of everything, its check-in and sheet signed."""
    who = make_staff(Role.TECHNICIAN, Role.FRONT_DESK, Role.MANAGER)
    amplifier = make_product(ratings=[(4, 75, False)])
    tweeter = make_product(
        kind=ProductKind.SPEAKER, speaker_kind=SpeakerKind.TWEETER, impedance_ohm=4.0
    )
    job = make_job(Stage.BOOKED, actor=who, parts_wanted=[amplifier, tweeter], technician=who)
    condition = save_check_in(
        job.pk, {"odometer": 48210}, [Mark("dent", 0.4, 0.3)], version=0, actor=who
    )
    mark = condition.marks.get()
    make_photo(job, who, subject=f"mark:{mark.key}")
    sign_check_in(
        job.pk, signed_name="TESSA ROWAN", signature="", version=condition.version, actor=who
    )
    Job.objects.filter(pk=job.pk).update(stage=Stage.IN_BAY)
    _fill(job, who)
    _sign(job, who)
    Job.objects.filter(pk=job.pk).update(stage=stage)
    job.refresh_from_db()
    return job


def _fill(job: Job, who: StaffMember) -> None:
    speaker = JobSpeaker.objects.create(
        job=job,
        part=job.parts.last(),
        label="SP1",
        name="Tweeter",
        kind=SpeakerKind.TWEETER,
        position="front_dash_left",
        impedance_ohm=4.0,
    )
    channel = job.channels.first()
    channel.speakers.add(speaker)
    job.runs.create(label="R1", from_node="battery", to_node="A1", size="16 mm2", length_m=2.0)
    job.fit_proofs.create(
        source="Fitting list",
        consulted_on=timezone.localdate(),
        outcome="fits",
        by=who,
        guide=ContentFile(b"Cut here.", name="guide.txt"),
    )
    add_note(job.number, "The sill is tight.", actor=who)
    job.steps.create(text="Wires labelled", order=1)
    make_photo(job, who)
    record = job.tuning_records.create(kind="working", name="First run", by=who)
    ChannelSetting.objects.create(record=record, channel=channel)
    EnteredSetting.objects.create(channel=channel, what="level", typed=["0"], typed_by=who)
    job.other_settings.create(name="Head unit bass", before="+3")
    TuningFacts.objects.get_or_create(job=job)
    FaultCodes.objects.create(job=job, before_codes="None")
    lead = job.adapters.create(name="Lead", from_plug="Radio", to_plug="Module")
    lead.wires.create(from_pin="1", to_pin="4", base="GN")
    job.panels.create(name="Door card, front left", clips=8)
    seat = job.seats.create(place="front_left")
    SeatDistance.objects.create(seat=seat, speaker=speaker, distance_m=1.1)
    job.measured.create(phase="after", place="Head", file_name="left.txt", text="20 70.0", by=who)
    job.recordings.create(
        phase="after", order=["all"], place="Head", spec={}, sample_rate_hz=48e3, seconds=10,
        key=f"recording-{job.pk}", by=who,
    )  # fmt: skip
    outputs = [
        job.factory_outputs.create(name=name, side="left", by=who) for name in ("Front", "Rear")
    ]
    FactorySum.objects.create(job=job, first=outputs[0], second=outputs[1], by=who)
    job.send_backs.create(reason="Label the wires.", by=who)
    job.finding_reasons.create(fingerprint="one", reason="Accepted", by=who)
    job.mails.create(about="ready", to="tessa@example.org", subject="Ready", text="Yes", by=who)
    job.estimate_lines.create(kind="other", text="Cloth", price=Decimal("4.50"))
    approve(job.number, Estimate(job).sha256, "signature", name="TESSA ROWAN", actor=who)
    note_payment(job.number, "deposit", Decimal(20), "Card", actor=who)
    now = timezone.now()
    TimeEntry.objects.create(job=job, technician=who, started_at=now, ended_at=now)


def _sign(job: Job, who: StaffMember) -> None:
    own = signing.shop_key("Heron").certificate.sha256.hex()
    own_certificates.add(_certificate_of(job), own)
    sheet = InstallSheet.objects.create(
        job=job,
        revision=1,
        document={"shop": {"name": "Heron"}},
        document_sha256="0" * 64,
        pdf=b"%PDF-1.7\n",
        pdf_sha256="0" * 64,
        signed_by=who,
        signed_at=timezone.now(),
    )
    SheetReceipt.objects.create(
        sheet=sheet,
        signed_name="TESSA ROWAN",
        signed_at=timezone.now(),
        handed_over_by=who,
        pdf=b"%PDF-1.7\n",
        pdf_sha256="0" * 64,
    )
    setup = SavedSetup.objects.create(
        vehicle_model=job.vehicle.vehicle_model, name=f"Setup {job.number}", by=who
    )
    SetupVersion.objects.create(
        setup=setup, number=1, document={}, document_sha256="0" * 64, by=who
    )
    SetupEvent.objects.create(setup=setup, actor=who, code="setup.saved")
    SetupUse.objects.create(setup=setup, job=job, version=1, event=log(job, who, "setup.applied"))


def _certificate_of(job: Job) -> int:
    """The number of a certificate that stands for a job's: it is the book's, and signs for all."""
    return 1000 + job.pk


def row_of(label: str, job: Job) -> models.Model:
    """A row of one table that belongs to the job."""
    model = model_of(label)
    if label == "jobs.SigningCertificate":
        return SigningCertificate.objects.get(number=_certificate_of(job))
    if label in frozen.WITH_JOB:
        path = frozen.job_path(model)
    elif label in {"jobs.SetupVersion", "jobs.SetupEvent"}:
        path = "setup__uses__job"
    else:
        path = "sheet__job" if label == "jobs.SheetReceipt" else "job"
    row = model._default_manager.filter(**{path: job.pk}).order_by("pk").first()
    assert row is not None, f"{label} has no row of a job to try: make one in every_row()"
    return row
