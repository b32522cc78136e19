"""A whole job made quickly: one amplifier, tweeters and coaxials, a power plan, all tried.

[battery] --R1, 80 A--> [amplifier A1] --R2--> [body]
    A1.1 --> tweeter, dash left      A1.3 --> coaxial, rear door left
    A1.2 --> tweeter, dash right     A1.4 --> coaxial, rear door right
"""

from dataclasses import dataclass, field
from typing import Any

from django.utils import timezone

from jobs.lifecycle import Stage
from jobs.models import Channel, InstallSheet, Job, Reading, TuningKind
from jobs.plan.document import findings_of
from jobs.services.channels import add_speaker
from jobs.services.moves import move
from jobs.services.power import add_run
from jobs.services.tuning.records import save_setting
from jobs.sheet.sign_off import give_reason, sign_off_job
from shop.models import Product, ProductKind, StaffMember, VehicleModel
from shop.models.products import SpeakerKind
from shop.roles import Role
from tests.factories import VehicleFactory, make_job, make_product, make_staff

PLACES = ("front_dash_left", "front_dash_right", "rear_door_left", "rear_door_right")
COLOURS = (("GN", "WH", "BK"), ("VT", "WH", "BK"), ("GY", "RD", "BK"), ("BU", "RD", "BK"))
TWEETER_HIGH = {"high_pass_family": "linkwitz_riley", "high_pass_order": 4}
COAXIAL_HIGH = {"high_pass_family": "butterworth", "high_pass_order": 4}


@dataclass
class Workshop:
    """People and products that several jobs share."""

    desk: StaffMember = field(default_factory=lambda: make_staff(Role.FRONT_DESK))
    technician: StaffMember = field(default_factory=lambda: make_staff(Role.TECHNICIAN))
    manager: StaffMember = field(default_factory=lambda: make_staff(Role.MANAGER))
    amplifier: Product = field(
        default_factory=lambda: make_product(
            name="Weir Four",
            amplifier_channels=4,
            max_sections=10,
            ratings=[(4, 50, False), (2, 80, False)],
        )
    )
    tweeter: Product = field(
        default_factory=lambda: make_product(
            kind=ProductKind.SPEAKER,
            name="Finch 25",
            speaker_kind=SpeakerKind.TWEETER,
            impedance_ohm=4.0,
            power_w=60,
            min_high_pass_hz=2000,
        )
    )
    coaxial: Product = field(
        default_factory=lambda: make_product(
            kind=ProductKind.SPEAKER,
            name="Dunnock 130",
            speaker_kind=SpeakerKind.COAXIAL,
            impedance_ohm=4.0,
            power_w=70,
        )
    )

    def job(self, model: VehicleModel | None = None, **parts: Product) -> Job:
        """A job in the bay with its parts and nothing entered."""
        vehicle = VehicleFactory(vehicle_model=model) if model else VehicleFactory()
        job = make_job(
            Stage.IN_BAY,
            actor=self.desk,
            vehicle=vehicle,
            technician=self.technician,
            parts_wanted=[
                parts.get("amplifier", self.amplifier),
                parts.get("tweeter", self.tweeter),
                parts.get("coaxial", self.coaxial),
            ],
        )
        job.parts.filter(product__kind=ProductKind.SPEAKER).update(quantity=2)
        job.parts.filter(product__kind=ProductKind.AMPLIFIER).update(serial="WF-20418")
        return job

    def wire(self, job: Job) -> None:
        """Speakers, channels, settings before and after, cables and battery."""
        tweeter, coaxial = job.parts.filter(product__kind=ProductKind.SPEAKER)
        for index, (position, part) in enumerate(
            zip(PLACES, (tweeter, tweeter, coaxial, coaxial), strict=True)
        ):
            channel = job.channels.get(number=index + 1)
            add_speaker(
                job.number,
                self.technician,
                position=position,
                part_pk=part.pk,
                channel_pk=channel.pk,
            )
            base, plus, minus = COLOURS[index]
            Channel.objects.filter(pk=channel.pk).update(
                connector="Door plug",
                positive_cavity=str(2 * index + 1),
                positive_base=base,
                positive_stripe=plus,
                negative_cavity=str(2 * index + 2),
                negative_base=base,
                negative_stripe=minus,
                polarity_proved=True,
            )
            high = TWEETER_HIGH if index < 2 else COAXIAL_HIGH
            self.set(job, channel, "before", {**high, "high_pass_hz": 5000.0, "level_db": -20.0})
            after = {"high_pass_hz": 3150.0 if index < 2 else 90.0, "level_db": -4.5}
            self.set(job, channel, "after", {**high, **after, "delay_ms": 1.25})
        feed = {"kind": "feed", "from_node": "battery", "to_node": "A1", "size": "16 mm2"}
        fuse = {"fuse_rating_a": 60.0, "fuse_body": "strip", "fuse_distance_m": 0.2}
        add_run(job.number, {**feed, "length_m": 2.0, **fuse}, actor=self.technician)
        back = {"kind": "return", "from_node": "A1", "to_node": "body", "size": "16 mm2"}
        add_run(job.number, {**back, "length_m": 0.5}, actor=self.technician)
        job.supply.__class__.objects.filter(job=job).update(battery_ah=70, alternator_a=150)

    def set(self, job: Job, channel: Channel, kind: str, values: dict[str, Any]) -> None:
        """Settings of one channel in the record as found or as left."""
        save_setting(
            job.number,
            TuningKind(kind),
            channel.pk,
            values,
            actor=self.technician,
            version=0,
            force=True,
        )

    def prove(self, job: Job) -> None:
        """Fit, functions and readings, before and after."""
        now = timezone.now()
        job.fit_proofs.create(
            source="Maker's fit list",
            reference="FL 14-212",
            consulted_on=now.date(),
            outcome="fits",
            by=self.technician,
        )
        who = {"before_by": self.technician, "after_by": self.technician}
        job.function_checks.update(before="works", after="works", **who)
        values = {"V": (12.6, 12.5), "A": (0.018, 0.021)}
        for reading in Reading.objects.filter(job=job):
            before, after = values[reading.unit]
            Reading.objects.filter(pk=reading.pk).update(
                before_value=before, after_value=after, after_instrument="Multimeter 2", **who
            )

    def ready(self, model: VehicleModel | None = None) -> Job:
        """A job whose sheet is complete and handed to review; its plan passes."""
        job = self.job(model)
        self.wire(job)
        self.prove(job)
        return move(job.pk, "finish", self.technician)

    def twins(self) -> Job:
        """A job handed to review with two equal amplifiers, unlike in load and cable.

        A1 plays two tweeters over short thick cables, A2 four coaxials (two a channel, 2 ohm)
        over long thin ones; the two speakers of each kind are equal products.
        """
        amplifier = make_product(
            name="Twin Two",
            amplifier_channels=2,
            ratings=[(4, 50, False), (2, 90, False)],
        )
        job = make_job(
            Stage.IN_BAY,
            actor=self.desk,
            technician=self.technician,
            parts_wanted=[amplifier, amplifier, self.tweeter, self.coaxial],
        )
        job.parts.filter(product__kind=ProductKind.SPEAKER).update(quantity=4)
        tweeter, coaxial = job.parts.filter(product__kind=ProductKind.SPEAKER)
        plays = (
            ("A1", 1, tweeter, ("front_dash_left",)),
            ("A1", 2, tweeter, ("front_dash_right",)),
            ("A2", 1, coaxial, ("front_door_left", "rear_door_left")),
            ("A2", 2, coaxial, ("front_door_right", "rear_door_right")),
        )
        for label, number, part, places in plays:
            channel = job.channels.get(part__label=label, number=number)
            for position in places:
                add_speaker(
                    job.number,
                    self.technician,
                    position=position,
                    part_pk=part.pk,
                    channel_pk=channel.pk,
                )
            if len(places) > 1:
                Channel.objects.filter(pk=channel.pk).update(joining="parallel")
            high = {**(TWEETER_HIGH if label == "A1" else COAXIAL_HIGH), "high_pass_hz": 3150.0}
            for kind in ("before", "after"):
                self.set(job, channel, kind, high)
        for label, size, length_m in (("A1", "25 mm2", 1.0), ("A2", "6 mm2", 6.0)):
            cable = {"size": size, "length_m": length_m}
            feed = {"kind": "feed", "from_node": "battery", "to_node": label}
            fuse = {"fuse_rating_a": 30.0, "fuse_body": "blade", "fuse_distance_m": 0.2}
            add_run(job.number, {**feed, **cable, **fuse}, actor=self.technician)
            back = {"kind": "return", "from_node": label, "to_node": "battery"}
            add_run(job.number, {**back, **cable}, actor=self.technician)
        self.prove(job)
        return move(job.pk, "finish", self.technician)

    def sign(self, job: Job) -> InstallSheet:
        """Sign, giving every caution a reason."""
        for finding in findings_of(job):
            if finding.severity == "caution":
                give_reason(job.pk, finding.fingerprint, "Accepted for the test", self.manager)
        return sign_off_job(job.pk, self.manager)
