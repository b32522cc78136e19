"""What a processor's program takes: proposals keep to it, and what cannot be typed is told."""

import pytest

from jobs.models import ChannelSetting, Job, JobEvent, TuningKind
from jobs.plan.document import findings_of, plan_of
from jobs.plan.limits import delay_that_fits, level_that_fits
from jobs.plan.tuning import delays_of
from jobs.services.tuning import seats
from shop.models import Product
from tests.factories import make_product
from tests.jobs.workshop import Workshop
from wiring.filters.typing_in import cannot_be_typed, limits_of, octaves_of_q
from wiring.plan import Steps

pytestmark = pytest.mark.django_db

LIMITS = {
    "level_steps": "-60 to 6 step 0.5",
    "delay_unit": "samples",
    "delay_steps": "0 to 240 step 1",
    "sample_rate_hz": 48_000.0,
    "section_gain_steps": "-12 to 3 step 0.5",
    "width_counted": "octaves",
    "section_width_steps": "0.3 to 2 step 0.1",
    "max_sections": 3,
}


@pytest.fixture
def shop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(shop: Workshop) -> Job:
    Product.objects.filter(pk=shop.amplifier.pk).update(**LIMITS)
    made = shop.job()
    shop.wire(made)
    return made


def _not_typed(job: Job) -> list[str]:
    return [one.title for one in findings_of(job) if one.rule == "setting-not-typed"]


def test_limits_stand_in_the_plan_of_the_part_that_has_them(shop: Workshop, job: Job) -> None:
    device = plan_of(job).devices[0]
    assert device.limits is not None and device.limits.level_db == Steps(-60, 6, 0.5)
    known = limits_of(device)
    assert known is not None and (known.sample_rate_hz, known.max_sections) == (48_000, 3)
    other = shop.job(amplifier=make_product(ratings=[(4, 50, False)]))
    assert plan_of(other).devices[0].limits is None
    assert other.pk != job.pk and not _not_typed(other)


def test_what_cannot_be_typed_is_told_with_the_nearest_and_leaves_when_it_can(job: Job) -> None:
    settings = ChannelSetting.objects.filter(record__job=job, record__kind=TuningKind.AFTER)
    settings.update(delay_ms=1.25, level_db=-4.5)
    assert not _not_typed(job)
    own = settings.filter(channel__number=2)
    own.update(level_db=-4.7, delay_ms=1.24)
    (title,) = _not_typed(job)
    assert "channel 2" in title and "level set to -4.7 dB" in title and "59.52 samples" in title
    own.update(level_db=-4.500000001, delay_ms=1.2292)
    assert not _not_typed(job)


def test_delays_are_whole_samples_of_the_own_device(shop: Workshop, job: Job) -> None:
    plan = plan_of(job)
    ways = dict(zip((one.id for one in plan.speakers), (1.0, 1.2, 0.9, 4.0), strict=True))
    found = delays_of(plan, {"here": (1.0, ways)}, 20.0)
    assert found.alignment is not None
    for line in found.lines:
        assert line.delay is not None and line.typed is not None
        samples = line.delay.set_ms * 48
        assert samples == pytest.approx(round(samples), abs=1e-9) and samples <= 240
        assert line.typed.text == f"{round(samples)}"
    assert [line.typed.limited for line in found.lines if line.typed] == [True, True, True, False]
    assert found.alignment.seats[0].spread_ms > 3
    assert delay_that_fits(plan, "A1.1", 1.24) == round(60 / 48, 4)
    assert delay_that_fits(plan, "A1.1", -0.2) == 0 and delay_that_fits(plan, "X9.1", 1.236) == 1.24
    levels = [level_that_fits(plan, "A1.1", one) for one in (-4.74, -4.76, -80.0)]
    assert levels == [-4.5, -5.0, -60.0] and level_that_fits(plan, "X9.1", -4.74) == -4.7
    seat = seats.tap_seat(job.number, "front_left", actor=shop.technician)
    for speaker, way in zip(job.speakers.order_by("pk"), (1.0, 1.2, 0.9, 2.0), strict=True):
        seats.save_distance(
            job.number, seat.pk, speaker.pk, {"distance_m": way}, actor=shop.technician, version=1
        )
    seats.put_delays_in(job.number, plan_of(job), actor=shop.technician)
    assert JobEvent.objects.filter(job=job, code="delays.put_in").exists() and not _not_typed(job)


def test_a_proposal_can_be_typed_as_it_stands(job: Job) -> None:
    from jobs.models import MeasuredResponse, ProposalLimits
    from jobs.plan.measured import proposed, targets

    points = [[20 * 2 ** (n / 12), 80.0 + (7 if 40 < n < 60 else 0)] for n in range(120)]
    row = MeasuredResponse(job=job, phase="after", playing="A1.3", points=points, taken_with={})
    target = next(iter(targets().values()))
    plan = plan_of(job)
    found = proposed(plan, "A1.3", [row], target, ProposalLimits.current(), anew=True)
    assert not found.trouble and found.proposal is not None and 0 < len(found.sections) <= 3
    limits = limits_of(plan.devices[0])
    assert limits is not None
    for one in found.sections:
        tenths = octaves_of_q(one.q) * 10
        assert tenths == pytest.approx(round(tenths)) and one.gain_db * 2 == round(one.gain_db * 2)
        assert one.gain_db <= 3
    told = [float(one.partition(" ")[0]) for one in found.widths_typed]
    assert told == [pytest.approx(octaves_of_q(one.q)) for one in found.sections]
    from wiring.plan import Setting

    assert cannot_be_typed(limits, Setting(sections=found.sections)).figures == ()
