"""One row of everything, so that every URL can be filled in and tried."""

from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from django.core.files.base import ContentFile
from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import (
    ComebackCause,
    InstallSheet,
    Job,
    JobSpeaker,
    Microphone,
    PowerRun,
    ShopTarget,
    TuningKind,
    WorkKind,
)
from jobs.plan.document import findings_of
from jobs.services import clock, hooks
from jobs.services.desk import note_said
from jobs.services.power import add_run
from jobs.setups import apply as setup_apply, library as setups
from jobs.sheet import document as sheet_document
from jobs.views.review import finding_key
from shop.customer_file import IMPORTED
from shop.models import ClosedDays, LabelSheet, ProductKind, Tablet, TaxRate
from shop.models.products import SpeakerKind
from shop.roles import Role
from shop.services import events
from shop.services.products import correct_inputs, inputs_seen
from tests.factories import (
    CustomerFactory,
    make_hook,
    make_job,
    make_photo,
    make_product,
    make_staff,
    make_token,
)

RESPONSE = "20 70.0\n1000 74.0\n20000 66.0\n"


@dataclass
class Ground:
    """One row of everything, by the prefix of the URL names that speak of it."""

    number: int
    numbers: dict[str, int] = field(default_factory=dict)
    """The number of another job than the one in the bay, by URL name."""
    keys: dict[str, int] = field(default_factory=dict)
    given: dict[str, Any] = field(default_factory=dict)
    """Arguments other than `number` and `pk`."""
    posts: dict[str, dict[str, Any]] = field(default_factory=dict)
    queries: dict[str, str] = field(default_factory=dict)


PK_OF = {
    "product_correction": "correction",
    "bay_undo": "event",
    "bay_send_back": "send_back",
    "bay_fit_guide": "proof",
    "bay_part_save": "part",
    "bay_entry_save": "channel",
    "bay_entry_all": "device",
    "bay_entry_beyond": "device",
    "bay_entry_store": "device",
    "bay_panel_save": "panel",
    "bay_adapter_pins": "adapter",
    "bay_adapter_remove": "adapter",
    "bay_adapter_wire_save": "adapter_wire",
    "bay_adapter_wire_remove": "adapter_wire",
    "bay_panel_remove": "panel",
    "bay_function_save": "function",
    "bay_reading_save": "reading",
    "bay_channel_save": "channel",
    "bay_channel_speaker": "channel",
    "bay_wire_save": "channel",
    "bay_cable_save": "channel",
    "bay_proof_save": "channel",
    "bay_cable": "channel",
    "bay_loads": "channel",
    "bay_arrange": "channel",
    "bay_speaker_save": "speaker",
    "bay_speaker_remove": "speaker",
    "bay_supply_save": "supply",
    "bay_run_save": "run",
    "bay_run_copy": "run",
    "bay_run_remove": "run",
    "bay_run_propose": "run",
    "bay_run": "run",
    "bay_setting_save": "channel",
    "bay_setting_copy": "channel",
    "bay_sections": "channel",
    "bay_sections_save": "channel",
    "bay_other_save": "other",
    "bay_record_return": "record",
    "bay_step_save": "step",
    "bay_sections_try": "channel",
    "bay_seat_save": "seat",
    "bay_distance_save": "seat",
    "bay_recording_file": "recording",
    "bay_recording_delays": "recording",
    "bay_recording_levels": "recording",
    "bay_takes_average": "recording",
    "bay_recording_remove": "recording",
    "bay_measured_save": "measured",
    "bay_measured_text": "measured",
    "bay_measured_correct": "measured",
    "bay_measured_remove": "measured",
    "bay_proposal_applied": "applied",
    "bay_capture_edit": "capture",
    "bay_capture_save": "capture",
    "bay_capture_remove": "capture",
    "supply_save": "part",
    "cause_edit": "cause",
    "tax_rate_edit": "tax_rate",
    "customer_unmerge": "twin",
    "estimate_line_save": "estimate_line",
    "estimate_line_take": "estimate_line",
    "estimate_line_remove": "estimate_line",
    "clock_correct": "time",
    "clock_still": "time",
    "setup_applied": "applied",
    "setup_undo": "applied",
    "setup_learn": "use",
    "wire_book_model": "vehicle_model",
    "model_plugs": "vehicle_model",
    "model_plug_create": "vehicle_model",
    "bay_plug": "channel",
}
"""Whose key a URL wants, where its name does not begin with it."""

GIVEN = {
    "api": {"rest": "openapi.json"},
    "bay_move": {"name": "finish"},
    "paper_file": {"name": "card"},
    "product_template": {"kind": "amplifier"},
    "numbers_jobs": {"key": "done"},
    "bay_capture_edit": {"kind": "output"},
    "bay_capture_save": {"kind": "output"},
    "bay_capture_remove": {"kind": "output"},
    "bay_level_save": {"kind": "output"},
}
"""Arguments of one URL that differ from those of the ground."""

SIGNED = (
    *(
        "setup_create",
        "sheet",
        "sheet_pdf",
        "customer_sheet_pdf",
        "wiring_sheet_pdf",
        "sheet_photo",
    ),
    *("sheet_correct", "collect"),
)
REVIEWED = (
    "review",
    "review_open",
    "review_sign",
    "review_send_back",
    "finding_reason",
    "sheet_preview",
    "wiring_preview",
)


def lay_ground() -> Ground:
    """A job in the bay with a row of every kind, and a signed one."""
    amplifier = make_product(
        line_outputs=2,
        sample_rate_hz=96_000.0,
        level_steps="-60 to 6 step 0.5",
        ratings=[(4, 75, False)],
    )
    tweeter = make_product(
        kind=ProductKind.SPEAKER, speaker_kind=SpeakerKind.TWEETER, impedance_ohm=4.0
    )
    technician = make_staff(Role.TECHNICIAN)
    job = make_job(Stage.IN_BAY, parts_wanted=[amplifier, tweeter])
    speaker = JobSpeaker.objects.create(
        job=job,
        part=job.parts.get(product=tweeter),
        label="SP1",
        name="Tweeter",
        kind=SpeakerKind.TWEETER,
        position="front_dash_left",
        impedance_ohm=4.0,
    )
    job.channels.get(kind="amplifier", number=1).speakers.add(speaker)
    run = PowerRun.objects.create(
        job=job, label="R1", from_node="battery", to_node="A1", size="16 mm2", length_m=2.0
    )
    signed = make_job(Stage.IN_BAY, parts_wanted=[amplifier], vehicle=job.vehicle)
    make_photo(signed, technician)
    Job.objects.filter(pk=signed.pk).update(stage=Stage.READY_FOR_REVIEW)
    signed.runs.create(label="R1", from_node="battery", to_node="A1", size="25 mm2", length_m=1.5)
    sheet = _signed_sheet(signed, make_staff(Role.MANAGER))
    setup = setups.create_setup(sheet.pk, "Six channels", "", sheet.signed_by)
    proof = job.fit_proofs.create(
        source="Fitting list",
        consulted_on=timezone.localdate(),
        outcome="fits",
        by=technician,
        guide=ContentFile(b"Cut here.", name="guide.txt"),
    )
    record = job.tuning_records.create(kind=TuningKind.WORKING, name="First run", by=technician)
    reviewed = make_job(Stage.READY_FOR_REVIEW, parts_wanted=[amplifier])
    reviewed.channels.filter(number=1).update(connector="C1", positive_base="GN")
    caution = next(one for one in findings_of(reviewed) if one.severity == "caution")
    event = add_run(
        job.number,
        {"from_node": "A1", "to_node": "body", "size": "16 mm2", "length_m": 0.5, "kind": "return"},
        actor=technician,
    )
    wanted = setup_apply.preview(setup, job)
    keys_of_items = {item.key for item in wanted.open_items}
    applied = setup_apply.apply_setup(job.number, setup.pk, keys_of_items, wanted.token, technician)
    kind = WorkKind.objects.create(name="Speakers")
    step = kind.steps.create(text="Wires labelled", order=1)
    other = job.other_settings.create(name="Head unit bass", before="+3")
    sent = job.send_backs.create(reason="Label the wires.", by=technician)
    photo = make_photo(job, technician)
    seat = job.seats.create(place="front_left")
    recording = job.recordings.create(
        phase="after", order=["all"], place="Head", spec={"seconds": 5, "pause_s": 5},
        sample_rate_hz=48e3, seconds=10, key="recording-1", by=technician,
    )  # fmt: skip
    recording.file.save("recording.flac", ContentFile(b"fLaC"))
    measured = job.measured.create(
        phase="after",
        place="Head, front left",
        file_name="left.txt",
        text=RESPONSE,
        points=[[20.0, 70.0], [1000.0, 74.0], [20000.0, 66.0]],
        by=technician,
    )
    output = job.factory_outputs.create(name="Front left", side="left", by=technician)
    target = ShopTarget.objects.create(name="Gentle", points=[[20.0, 4.0], [20000.0, -3.0]])
    with_clock = clock.start(job.number, technician)
    tablet = Tablet.objects.create(name="Bay 1", token_sha256="0" * 64, registered_by=technician)
    said = note_said(job.number, "call", "Ready by five, please.", actor=technician)
    assert said is not None
    day = timezone.localdate()
    seen = inputs_seen(amplifier)
    correction = correct_inputs(amplifier.pk, {"line_inputs": 5}, "On its case", seen, technician)
    assert correction is not None
    keys = {
        "cause": ComebackCause.objects.create(name="Hum").pk,
        "tax_rate": TaxRate.objects.create(name="Reduced", percent=7).pk,
        "estimate_line": job.estimate_lines.create(
            kind="other", text="Cloth", price=Decimal("4.50"), optional=True
        ).pk,
        "branch": job.bay.branch_id,
        "closed": ClosedDays.objects.create(first_day=day, last_day=day).pk,
        "absence": technician.absences.create(first_day=day, last_day=day).pk,
        "plug": job.vehicle.vehicle_model.plugs.create(name="Door plug").pk,
        "said": said.pk,
        "mail": job.mails.create(
            about="ready", to="ines@example.org", subject="Ready", text="Yes", by=technician
        ).pk,
        "customer": job.customer_id,
        "vehicle": job.vehicle_id,
        "vehicle_model": job.vehicle.vehicle_model_id,
        "product": amplifier.pk,
        "correction": correction.pk,
        "staff": technician.pk,
        "bay": job.bay_id,
        "part": job.parts.get(product=tweeter).pk,
        "device": job.parts.get(product=amplifier).pk,
        "part_line": tweeter.pk,
        "adapter": (
            lead := job.adapters.create(name="Lead", from_plug="Radio", to_plug="Module")
        ).pk,
        "adapter_wire": lead.wires.create(from_pin="1", to_pin="4").pk,
        "panel": job.panels.create(name="Door card, front left", clips=8).pk,
        "speaker": speaker.pk,
        "channel": job.channels.all()[0].pk,
        "run": run.pk,
        "supply": job.supply.pk,
        "function": job.function_checks.all()[0].pk,
        "reading": job.readings.all()[0].pk,
        "sheet": sheet.pk,
        "setup": setup.pk,
        "proof": proof.pk,
        "other": other.pk,
        "send_back": sent.pk,
        "record": record.pk,
        "event": event.pk,
        "applied": applied.event.pk,
        "use": job.setup_uses.get().pk,
        "step": job.steps.create(text="Wires labelled", order=1).pk,
        "seat": seat.pk,
        "recording": recording.pk,
        "measured": measured.pk,
        "capture": output.pk,
        "target": target.pk,
        "microphone": Microphone.objects.create(name="Thin black one").pk,
        "time": with_clock.entry.pk,
        "step_kind": kind.pk,
        "step_template": step.pk,
        "tablet": tablet.pk,
        "hook": (told := make_hook(make_staff(Role.MANAGER))[0]).pk,
        "api_token": make_token(make_staff(Role.MANAGER))[0].pk,
        "photo": photo.pk,
        "label_sheet": LabelSheet.objects.create(
            name="Test sheet", label_width_mm=70, label_height_mm=37, left_mm=0, top_mm=0.5
        ).pk,
    }
    twin = CustomerFactory(name="Twin Halloran", merged_into_id=job.customer_id)
    keys["twin"] = twin.pk
    keys["customer_import_take_back"] = events.log(technician, IMPORTED, twin).pk
    back = make_job(Stage.BOOKED, vehicle=signed.vehicle, comeback_of=signed)
    numbers = {
        "comeback": back.number,
        **dict.fromkeys(SIGNED, signed.number),
        **dict.fromkeys(REVIEWED, reviewed.number),
    }
    given = {
        "revision": 1,
        "delivery": hooks.test(told.pk).pk,
        "digest": sheet.document["photos"][0]["sha256"],
        "phase": "before",
        "position": "front_dash_left",
        "place": "front_right",
        "group": "air",
        "speaker": speaker.pk,
        "about": "A1.1",
        "kind": "after",
        "name": "hold",
        "key": finding_key(caution.fingerprint),
        "label": "A1",
        "how": "same",
        "what": "level",
    }
    posts = {"part_add": {"product": tweeter.pk, "quantity": 1}}
    queries = {
        "vehicle_create": f"?owner={job.customer_id}",
        "bay_signal": "?seconds=2&pause_s=2&level_dbfs=-50",
    }
    return Ground(job.number, numbers, keys, given, posts, queries)


def _signed_sheet(job: Any, manager: Any) -> InstallSheet:
    signing = sheet_document.Signing(1, manager, timezone.now())
    document = sheet_document.freeze(sheet_document.load(pk=job.pk), signing)
    sheet = InstallSheet.objects.create(
        job=job,
        revision=1,
        document=document,
        document_sha256=sheet_document.sha256_of(document),
        pdf=b"%PDF-1.7\n",
        pdf_sha256="0" * 64,
        signed_by=manager,
        signed_at=signing.signed_at,
    )
    job.stage = Stage.SIGNED_OFF
    job.save(update_fields=["stage"])
    return sheet
