"""What a microphone heard of a signal becomes curves, arrivals and polarities, kept once."""

import hashlib
import io
import json
import shlex
from collections.abc import Iterator
from dataclasses import replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.errors import Refused
from jobs.models import (
    ChannelSetting,
    Job,
    MeasuredResponse,
    Microphone,
    ProposalLimits,
    Recording,
)
from jobs.plan import measured, recordings as sums
from jobs.plan.document import findings_of, plan_of
from jobs.services.channels import save_channel
from jobs.services.moves import move
from jobs.services.tuning.recordings import (
    add_recording,
    delays_wanted,
    pairs_of,
    put_measured_delays_in,
    remove_recording,
)
from jobs.services.tuning.takes import average_takes
from jobs.sheet.document import Signing, draft, freeze, load as load_job
from jobs.sheet.render import sheet_html
from jobs.undo import undo
from tests.jobs.workshop import Workshop
from tests.racing import at_once
from tests.wiring.measure.cabins import Driver, recorded
from wiring.__main__ import main as run
from wiring.measure.signals import LEAD_S, SignalSpec, make

pytestmark = pytest.mark.django_db

KEY = "recording-key"
TWEETER = Driver((("highpass", 2, 2500.0),), delay_ms=2.0)
TURNED = Driver((("highpass", 2, 2500.0),), delay_ms=3.0, inverted=True)
WOOFER = Driver((("lowpass", 2, 2500.0),), delay_ms=4.0)


@pytest.fixture(autouse=True)
def _folder(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def job(workshop: Workshop) -> Iterator[Job]:
    job = workshop.job()
    workshop.wire(job)
    yield job


def spec_of(count: int) -> SignalSpec:
    return SignalSpec(seconds=2.0, count=count, pause_s=2.0)


@cache
def wav(*drivers: Driver) -> bytes:
    """A recording of these, one after another, as a browser sends it."""
    samples = recorded(spec_of(len(drivers)), drivers)
    file = io.BytesIO()
    soundfile.write(file, samples / np.abs(samples).max() / 2, 48_000, "PCM_24", format="WAV")
    return file.getvalue()


def add(
    workshop: Workshop,
    job: Job,
    content: bytes,
    *order: str,
    key: str = KEY,
    place: str = "head, centre",
) -> Recording:
    return add_recording(
        job.number,
        content,
        phase="after",
        order=order,
        place=place,
        spec=spec_of(len(order)),
        microphone=None,
        device="Microphone",
        key=key,
        actor=workshop.technician,
    )


def test_each_sound_becomes_the_curve_of_its_own_channel(workshop: Workshop, job: Job) -> None:
    """Three channels, two of them equal tweeters of which one is turned."""
    row = add(workshop, job, wav(TWEETER, TURNED, WOOFER), "A1.1", "A1.2", "A1.3")
    curves = {one.playing: dict(one.points) for one in job.measured.all()}
    assert list(curves) == ["A1.1", "A1.2", "A1.3"]
    for channel, high in (("A1.1", True), ("A1.2", True), ("A1.3", False)):
        hz = np.array(list(curves[channel]))
        db = np.array(list(curves[channel].values()))
        slope = float(db[np.argmin(abs(hz - 8000))] - db[np.argmin(abs(hz - 300))])
        assert (slope > 20) is high
        assert (slope < -20) is not high
    assert [one["polarity"] for one in row.results[:2]] == ["normal", "inverted"]
    with row.file.open() as file:
        kept = sums.read_sound(file.read())
    again = sums.heard(sums.spec_of(row.spec), kept, None)
    assert [one["polarity"] for one in again.results] == [one["polarity"] for one in row.results]
    assert again.results[0]["level_db"] == pytest.approx(row.results[0]["level_db"], abs=0.01)


def test_delays_and_polarities_follow_from_one_recording_of_all(
    workshop: Workshop, job: Job, client: Client
) -> None:
    """Two equal tweeters a millisecond apart, of which the later one is turned."""
    row = add(workshop, job, wav(TWEETER, TURNED, WOOFER), "A1.1", "A1.2", "A1.3")
    client.force_login(workshop.technician)
    page = client.get(reverse("bay_record", args=[job.number]))
    [shown] = page.context["recordings"]
    wanted = {one.unit.key: one.delay.measured_ms for one in shown["delays"]}
    assert wanted["A1.1"] - wanted["A1.2"] == pytest.approx(1.0, abs=0.02)
    verdicts = {row.order[one["number"]]: one["verdict"]["verdict"] for one in shown["heard"]}
    assert (verdicts["A1.1"], verdicts["A1.2"]) == ("proved", "contradicted")
    client.post(reverse("bay_recording_delays", args=[job.number, row.pk]), {"key": "put-in-1"})
    after = ChannelSetting.objects.filter(record__job=job, record__kind="after")
    now = {one.channel.plan_id: one.delay_ms for one in after.select_related("channel__part")}
    assert now["A1.1"] - now["A1.2"] == pytest.approx(1.0, abs=0.03)


def test_a_polarity_that_is_heard_is_proved_or_a_finding_while_it_holds(
    workshop: Workshop, job: Job
) -> None:
    """Two equal tweeters, of which the right one is turned: nobody is asked about the left one
    again, and the right one is told until something of it is changed or it is proved."""
    _left, right, door, _rear = job.channels.order_by("number")
    job.channels.exclude(pk=door.pk).update(polarity_proved=None)
    job.channels.filter(pk=door.pk).update(polarity_by="ear")
    row = add(workshop, job, wav(TWEETER, TURNED, WOOFER), "A1.1", "A1.2", "A1.3")

    def proofs() -> list[tuple[bool | None, str]]:
        return list(job.channels.order_by("number").values_list("polarity_proved", "polarity_by"))

    def told() -> list[str]:
        return [one.where[0] for one in findings_of(job) if one.rule == "polarity-contradicted"]

    def by_hand(**changes: Any) -> None:
        save_channel(
            job.number, right.pk, changes, actor=workshop.technician, version=99, key=""
        )  # fmt: skip

    assert proofs() == [(True, "recorded"), (None, ""), (True, "ear"), (None, "")]
    assert told() == ["A1.2"]
    heard = {one.id: one.polarity_heard for one in plan_of(job).channels}
    assert (heard["A1.1"], heard["A1.2"], heard["A1.4"]) == ("as_set", "contradicted", "")
    assert {one.polarity_heard for one in plan_of(job, "before").channels} == {""}

    workshop.set(job, right, "after", {"inverted": True})
    assert told() == []
    workshop.set(job, right, "after", {"inverted": False})
    assert told() == ["A1.2"]
    for changes in ({"connector": "Kick plug"}, {"polarity_proved": True}):
        with transaction.atomic():
            by_hand(**changes)
            assert told() == []
            transaction.set_rollback(True)
    by_hand(polarity_proved=False)
    assert told() == ["A1.2"]

    before = add_recording(
        job.number, wav(TWEETER, TWEETER), phase="before", order=["A1.1", "A1.2"], place="head",
        spec=spec_of(2), microphone=None, device="", key="before-key", actor=workshop.technician,
    )  # fmt: skip
    assert before.polarity["A1.2"]["verdict"] == "proved"
    assert told() == ["A1.2"]
    again = add(workshop, job, wav(TWEETER, TWEETER), "A1.1", "A1.2", key="again-key")
    assert told() == []
    assert proofs()[1] == (True, "recorded")
    remove_recording(job.number, again.pk, actor=workshop.technician)
    assert (told(), proofs()[1]) == (["A1.2"], (False, ""))
    remove_recording(job.number, row.pk, actor=workshop.technician)
    assert (told(), proofs()[0], proofs()[2]) == ([], (None, ""), (True, "ear"))


def test_one_sound_alone_asks_for_no_delay(workshop: Workshop, job: Job) -> None:
    row = add(workshop, job, wav(TWEETER), "A1.1")
    plan = plan_of(job)
    assert delays_wanted(row, plan) == []
    assert row.polarity == {}
    with pytest.raises(Refused, match="every channel"):
        put_measured_delays_in(job.number, row.pk, plan, actor=workshop.technician)


def test_sent_twice_it_is_kept_once_and_a_later_one_takes_its_place(
    workshop: Workshop, job: Job, client: Client
) -> None:
    """At another seat it is averaged with the first, and both are named with how they differ."""
    first = add(workshop, job, wav(TWEETER), "A1.1")
    assert add(workshop, job, wav(TWEETER), "A1.1").pk == first.pk
    assert job.measured.count() == 1
    add(workshop, job, wav(TWEETER), "A1.1", key="another-key")
    assert list(job.measured.values_list("counts", flat=True)) == [False, True]
    client.force_login(workshop.technician)
    newest = job.recordings.last()
    assert newest is not None
    page = client.get(reverse("bay_record", args=[job.number])).content.decode()
    url = reverse("bay_takes_average", args=[job.number, newest.pk])
    assert page.count("1 earlier take at") == page.count(url) == 1
    for _ in range(2):
        client.post(url, {"key": "average-key"})

    def counted() -> list[bool]:
        return list(job.measured.order_by("pk").values_list("counts", flat=True))

    assert counted() == [True, True]
    undo(job.number, job.events.get(code="takes.averaged").pk, workshop.technician)
    assert counted() == [False, True]
    workshop.set(job, job.channels.get(number=1), "after", {"level_db": -9.0})
    add(workshop, job, wav(TWEETER), "A1.1", key="quieter-key")
    assert counted() == [False, False, True]
    refused = client.post(
        reverse("bay_takes_average", args=[job.number, newest.pk + 1]), follow=True
    )
    assert "counts already" in refused.content.decode() and counted() == [False, False, True]
    workshop.set(job, job.channels.get(number=1), "after", {"level_db": -4.5})
    remove_recording(job.number, newest.pk + 1, actor=workshop.technician)
    job.measured.filter(recording=newest).update(counts=True)
    seat = replace(TWEETER, reflections=((0.4, 0.5),))
    add(workshop, job, wav(seat), "A1.1", key="seat-key", place="head, right")
    assert list(job.measured.values_list("counts", flat=True)) == [False, True, True]
    page = client.get(reverse("bay_measured", args=[job.number]), {"playing": "A1.1"})
    [(phase, made)] = page.context["comparison"]["made_of"]
    assert phase == "After" and [one[:11] for one in made.places] == ["head, centr", "head, right"]
    assert made.spread.worst_db > 3
    [shown] = draft(load_job(pk=job.pk))["sound"]["measured"]
    assert shown["spread"] == [None, made.spread._asdict()] and not shown["takes_as_one"]
    assert "count together as one" not in page.content.decode()

    job.measured.filter(counts=False).update(counts=True, place="Head, Centre")
    page = client.get(reverse("bay_measured", args=[job.number]), {"playing": "A1.1"})
    assert "Takes at one place count together as one." in page.content.decode()
    document = draft(load_job(pk=job.pk))
    assert document["sound"]["measured"][0]["takes_as_one"]
    assert "Takes at one place count together as one." in sheet_html(document)


def test_a_take_more_of_one_place_moves_no_average(workshop: Workshop, job: Job) -> None:
    """Neither what was measured, nor what is expected, proposed or laid beside the setup's car."""
    add(workshop, job, wav(TWEETER), "A1.1")
    seat = replace(TWEETER, reflections=((0.4, 0.5),))
    add(workshop, job, wav(seat), "A1.1", key="seat-key", place="head, right")
    workshop.set(job, job.channels.get(number=1), "after", {"high_pass_hz": 2_500.0})
    plan = plan_of(job)
    one, other = job.measured.order_by("pk")
    house, flat = ProposalLimits.current(), measured.targets()["Flat"]

    def answers(*rows: MeasuredResponse) -> list[Any]:
        mean, expected = measured.averaged(rows, 3), measured.expected(rows, plan, 3)
        likeness = measured.as_setup(rows, [one])
        proposed = measured.proposed(plan, "A1.1", rows, flat, house, anew=True)
        assert mean and expected and likeness and proposed.proposal
        curves = (mean, expected, proposed.proposal.before)
        return [likeness.level_db, *(value for each in curves for value in each.levels_db)]

    assert answers(one, one, other) == pytest.approx(answers(one, other), abs=1e-9)
    assert answers(one, other, other) == pytest.approx(answers(one, other), abs=1e-9)
    assert answers(one, one) != pytest.approx(answers(one, other), abs=1e-3)


def test_a_calibration_is_taken_out_of_what_its_microphone_heard(
    workshop: Workshop, job: Job, client: Client
) -> None:
    client.force_login(workshop.manager)
    url = reverse("microphone_create")
    wrong = client.post(url, {"name": "Thin black one", "text": "20 0\nabc 1\n20000 0"})
    assert "Line 2" in wrong.content.decode()
    file = SimpleUploadedFile("mic.txt", b"20 6\n1000 0\n20000 -4\n")
    client.post(url, {"name": "Thin black one", "calibration_file": file, "in_use": "on"})
    microphone = Microphone.objects.get()
    assert microphone.points[0] == [20.0, 6.0]
    plain = add(workshop, job, wav(TWEETER), "A1.1")
    heard = add_recording(
        job.number, wav(TWEETER), phase="after", order=["A1.2"], place="head", spec=spec_of(1),
        microphone=microphone, device="", key="another-key", actor=workshop.technician,
    )  # fmt: skip
    levels = [dict(one.responses.get().points) for one in (plain, heard)]
    highest = max(levels[0])
    assert levels[1][highest] - levels[0][highest] == pytest.approx(4.0, abs=0.1)


def test_the_louder_side_of_a_pair_is_lowered_by_one_tap_and_put_back(
    workshop: Workshop, job: Job, client: Client
) -> None:
    """Two pairs of equal speakers; of the tweeters the right one, in the rear the left one is
    louder, and the one of the tweeters was moved since it was recorded."""
    right, quiet = (replace(one, gain_db=by) for one, by in ((TURNED, 3.0), (WOOFER, -2.0)))
    row = add(workshop, job, wav(TWEETER, right, WOOFER, quiet), "A1.1", "A1.2", "A1.3", "A1.4")
    [tweeters, rear] = pairs_of(row, plan_of(job))
    assert (tweeters.first, tweeters.second, rear.first) == ("A1.1", "A1.2", "A1.3")
    assert tweeters.low_hz >= 3150 and "dash right is 3.0 dB louder" in tweeters.said
    [louder] = tweeters.wanted
    assert (louder.channel_id, louder.level_db, louder.now_db) == ("A1.2", -7.5, -4.5)
    workshop.set(job, job.channels.get(number=2), "after", {"level_db": -5.0})

    client.force_login(workshop.technician)
    url = reverse("bay_recording_levels", args=[job.number, row.pk])
    for _ in range(2):
        client.post(url, {"key": "match-1"})

    def levels() -> list[float]:
        return [one.setting.level_db for one in plan_of(job).channels]

    assert levels() == pytest.approx([-4.5, -7.5, -6.5, -4.5], abs=0.11)
    assert not any(one.open for one in pairs_of(row, plan_of(job)))
    [event] = job.events.filter(code="levels.put_in")
    undo(job.number, event.pk, workshop.technician)
    assert levels() == [-4.5, -5.0, -4.5, -4.5]
    workshop.prove(job)
    move(job.pk, "finish", workshop.technician)
    assert "sheet is closed" in client.post(url, {"key": "match-2"}, follow=True).content.decode()
    assert levels() == [-4.5, -5.0, -4.5, -4.5]


@pytest.mark.once
def test_two_ways_of_one_side_are_told_to_meet_or_what_keeps_them_apart(
    workshop: Workshop, job: Job, client: Client
) -> None:
    """Left and right alike, a midbass under a tweeter at 2500 Hz; the right tweeter is turned."""
    for number, kind in ((1, "tweeter"), (2, "tweeter"), (3, "midbass"), (4, "midbass")):
        channel = job.channels.get(number=number)
        low = kind == "midbass"
        place = f"front_{'door' if low else 'dash'}_{'right' if number % 2 == 0 else 'left'}"
        channel.speakers.update(kind=kind, position=place)
        fourth = {"family": "linkwitz_riley", "order": 4, "hz": 2500.0}
        none = {"family": "", "order": None, "hz": None}
        ways = {"low_pass": fourth if low else none, "high_pass": none if low else fourth}
        cells = {f"{way}_{name}": one for way, own in ways.items() for name, one in own.items()}
        workshop.set(job, channel, "after", {**cells, "delay_ms": 0.0})
    low, high = (Driver(((way, 2, 2500.0),) * 2) for way in ("low", "high"))
    content = wav(high, replace(high, inverted=True), low, low)
    row = add(workshop, job, content, "A1.1", "A1.2", "A1.3", "A1.4")
    assert [(one["lower"], one["upper"], one["cause"]) for one in row.meets] == [
        ("A1.3", "A1.1", ""),
        ("A1.4", "A1.2", "polarity"),
    ]
    client.force_login(workshop.technician)
    page = client.get(reverse("bay_record", args=[job.number])).content.decode()
    assert "polarity is the likely cause" in page and page.count("data-plot-read") == 2


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_of_two_recordings_at_once_each_is_kept_once_and_proves_once(tmp_path: Path) -> None:
    floor = Workshop()
    job = floor.job()
    floor.wire(job)
    job.channels.update(polarity_proved=None)
    content = wav(TWEETER, TURNED, WOOFER)

    def send(key: str) -> Recording:
        return add(floor, job, content, "A1.1", "A1.2", "A1.3", key=key)

    answers = at_once(*(partial(send, key) for key in ("first-key", "other-key", "first-key")))
    assert len({one.pk for one in answers if isinstance(one, Recording)}) == 2
    assert job.measured.filter(counts=True).count() == 3
    proved = job.channels.filter(polarity_proved=True)
    assert {one.plan_id for one in proved} >= {"A1.1"}
    assert job.events.filter(code="channel.changed", after__polarity_by="recorded").count() == len(
        proved
    )
    assert len(list(tmp_path.rglob("*.flac"))) == 2


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_takes_averaged_by_two_at_once_are_averaged_once(tmp_path: Path) -> None:
    floor = Workshop()
    job = floor.job()
    floor.wire(job)
    rows = [add(floor, job, wav(TWEETER), "A1.1", key=f"take-{n}-key") for n in range(3)]

    def average(who: Any) -> object:
        return average_takes(job.number, rows[-1].pk, actor=who)

    answers = at_once(partial(average, floor.technician), partial(average, floor.manager))
    assert sum(isinstance(one, Refused) for one in answers) == 1
    assert list(job.measured.values_list("counts", "version")) == [(True, 2), (True, 2), (True, 1)]


@pytest.mark.django_db(transaction=True)
def test_cut_off_while_it_is_kept_nothing_of_it_stays(
    workshop: Workshop, job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.channels.update(polarity_proved=None)
    monkeypatch.setattr("jobs.services.tuning.recordings._proof_key", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        add(workshop, job, wav(TWEETER, TURNED, WOOFER), "A1.1", "A1.2", "A1.3")
    assert not job.recordings.exists() and not job.measured.exists()
    assert not job.channels.filter(polarity_proved=True).exists()
    assert list(tmp_path.rglob("*.flac")) == []


def test_the_sheet_names_each_recording_and_how_to_repeat_its_sums(
    workshop: Workshop,
    job: Job,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Whoever has the file and the two commands reads the arrivals that the sheet prints."""
    row = add(workshop, job, wav(TWEETER, TURNED, WOOFER), "A1.1", "A1.2", "A1.3")
    [said] = draft(load_job(pk=job.pk))["sound"]["recordings"]
    with row.file.open() as file:
        content = file.read()
    assert said["sha256"] == hashlib.sha256(content).hexdigest()
    assert said["file"] == f"{job}-recording-{row.pk}.flac"
    assert [one["verdict"] for one in said["heard"]][:2] == ["proved", "contradicted"]
    printed = {one["id"]: one["after_first_ms"] for one in said["heard"]}
    assert printed["A1.2"] - printed["A1.1"] == pytest.approx(1.0, abs=0.02)

    monkeypatch.chdir(tmp_path)
    Path(said["file"]).write_bytes(content)
    signal, measuring = (shlex.split(line)[3:] for line in said["repeat"])
    assert run(signal) == 0
    capsys.readouterr()
    assert run([*measuring, "--json"]) == 0
    again = [one["arrival_ms"] for one in json.loads(capsys.readouterr().out)["takes"]]
    assert [one - min(again) for one in again] == pytest.approx(list(printed.values()), abs=0.01)

    assert "recordings" in sheet_html(draft(load_job(pk=job.pk)))
    Path(row.file.path).unlink()
    with pytest.raises(Refused, match="backup"):
        freeze(load_job(pk=job.pk), Signing(1, workshop.manager, timezone.now()))


def silence() -> bytes:
    file = io.BytesIO()
    soundfile.write(file, np.zeros(480_000), 48_000, "PCM_24", format="WAV")
    return file.getvalue()


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (silence(), "silen|nothing"),
        (b"RIFF....WAVEnone", "no WAV or FLAC file"),
        (b"", "no WAV or FLAC file"),
    ],
)
def test_what_says_nothing_is_refused_with_what_to_do(
    workshop: Workshop, job: Job, content: bytes, said: str
) -> None:
    with pytest.raises(Refused, match=f"(?i){said}"):
        add(workshop, job, content, "A1.1")
    assert not job.recordings.exists()
    assert not job.measured.exists()


@pytest.mark.once
def test_other_signals_say_what_they_can_and_are_repeated_from_their_files(
    workshop: Workshop, job: Job, client: Client, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Pulses two polarities, tones two levels, noise one curve, and channels which side plays."""
    client.force_login(workshop.technician)
    url = reverse("bay_recording_add", args=[job.number])
    typed = {"phase": "after", "place": "head", "seconds": 5, "pause_s": 2, "level_dbfs": -20}

    def send(samples: Any, kind: str, *order: str, **more: object) -> Recording:
        file = io.BytesIO()
        soundfile.write(file, samples / np.abs(samples).max() / 2, 48_000, "PCM_24", format="WAV")
        data = {**typed, "kind": kind, "playing": order[0], "key": f"{kind}-key", **more}
        upload = SimpleUploadedFile("recording.wav", file.getvalue())
        answer = client.post(
            url, {**data, "recording": upload}, headers={"Loombook-Recording": "1"}
        )
        assert answer.status_code == 201, answer.content.decode()
        return Recording.objects.get(key=f"{kind}-key")

    count = job.channels.exclude(speakers=None).count()
    wide = Driver((("highpass", 2, 120.0),))
    spec = SignalSpec("pulse", seconds=5.0, count=count, pause_s=2.0)
    heard = [wide, replace(wide, inverted=True), wide, wide]
    pulse = send(recorded(spec, heard, noise_db=50.0), "pulse", "each")
    assert [one["polarity"] for one in pulse.results] == ["normal", "inverted", "normal", "normal"]
    assert [one.where[0] for one in findings_of(job) if one.rule == "polarity-contradicted"] == [
        "A1.2"
    ]
    spec = SignalSpec("tone", seconds=5.0, count=count, pause_s=2.0, tone_hz=400.0)
    quiet = replace(wide, gain_db=-6.0)
    tone = send(recorded(spec, [wide, quiet, wide, wide]), "tone", "each", tone_hz=400)
    levels = [one["level_db"] for one in tone.results]
    assert levels[0] - levels[1] == pytest.approx(6.0, abs=0.05)
    assert not job.measured.exists()

    noise = send(recorded(SignalSpec("pink", seconds=5.0, pause_s=2.0), [wide]), "pink", "A1.1")
    [curve] = job.measured.all()
    assert (curve.playing, curve.recording, noise.polarity) == ("A1.1", noise, {})
    hz, db = np.array(curve.points).T
    assert float(db[np.argmin(abs(hz - 60))] - db[np.argmin(abs(hz - 1000))]) < -9

    left, right = make(SignalSpec("channels", seconds=5.0, pause_s=2.0)).samples
    named = send(right + 0.05 * left, "channels", "A1.1")
    assert named.places["A1.1"]["side"] == "right"
    page = client.get(reverse("bay_record", args=[job.number])).content.decode()
    assert "Heard from the right, where the plan has the left" in page
    assert (
        client.post(url, {**typed, "kind": "pink", "playing": "each", "key": "no-such"}).status_code
        == 422
    )

    for line, kept in zip(
        draft(load_job(pk=job.pk))["sound"]["recordings"], job.recordings.all(), strict=True
    ):
        signal, measuring = (shlex.split(one)[3:] for one in line["repeat"])
        signal[2], measuring[1:3] = (
            str(tmp_path / "s.wav"),
            [str(tmp_path / "s.wav"), kept.file.path],
        )
        assert run(signal) == 0 and run([*measuring, "--json"]) == 0
    assert "right" in capsys.readouterr().out


def named(side: int, *faded: float) -> bytes:
    """A recording of the naming of channels at a speaker of one side, its third and fourth sound
    as loud as the fader makes them there."""
    samples = make(NAMING).samples[side].copy()
    for number, gain in enumerate(faded, 2):
        begin = int((LEAD_S + number * NAMING.period_s) * 48_000)
        samples[begin : begin + int(NAMING.period_s * 48_000)] *= gain
    file = io.BytesIO()
    soundfile.write(file, samples, 48_000, "PCM_24", format="WAV")
    return file.getvalue()


NAMING = SignalSpec("channels", seconds=sums.CHANNELS_S, pause_s=0.5)


@pytest.mark.once
def test_a_place_heard_is_a_finding_while_what_it_rests_on_stays(
    workshop: Workshop, job: Job
) -> None:
    """Two equal speakers, both heard playing the front left; the fader tells front from rear only
    where it is turned, and what an older recording told of that stays."""

    def hear(channel: str, content: bytes, key: str) -> Recording:
        return add_recording(
            job.number, content, phase="after", order=[channel], place="at it", spec=NAMING,
            microphone=None, device="", key=key, actor=workshop.technician,
        )  # fmt: skip

    def contradicted() -> list[tuple[str, str]]:
        return [
            (one.where[0], one.title.partition("playing ")[2])
            for one in findings_of(job)
            if one.rule == "place-contradicted"
        ]

    left_rear = hear("A1.1", named(0, 0.1, 1.0), "first-key")
    assert hear("A1.1", named(0, 0.1, 1.0), "first-key") == left_rear
    assert contradicted() == [("A1.1", "the rear, where the plan has the front")]
    hear("A1.1", named(0, 1.0, 1.0), "second-key")
    assert contradicted() == [("A1.1", "the rear, where the plan has the front")]
    left = hear("A1.2", named(0, 1.0, 0.1), "third-key")
    wrong = ("A1.2", "the left, where the plan has the right")
    assert contradicted()[1] == wrong
    hear("A1.1", named(0, 1.0, 0.1), "fourth-key")
    assert contradicted() == [wrong]
    said = [one["heard"][0]["place"] for one in draft(load_job(pk=job.pk))["sound"]["recordings"]]
    assert [one["verdict"] for one in said] == [
        "contradicted", "as_planned", "contradicted", "as_planned"
    ]  # fmt: skip
    assert said[3]["said"] == "Heard from the front left, as planned."
    assert "front left, as planned" in sheet_html(draft(load_job(pk=job.pk)))
    assert "Front and rear were heard alike" in said[1]["said"]

    def rewired(connector: str) -> None:
        second = job.channels.get(number=2)
        save_channel(
            job.number, second.pk, {"connector": connector}, actor=workshop.technician,
            version=second.version, key=f"wire-{connector}",
        )  # fmt: skip

    stood = job.channels.get(number=2).connector
    rewired("C9")
    assert contradicted() == []
    rewired(stood)
    assert contradicted() == [wrong]
    remove_recording(job.number, left.pk, actor=workshop.technician, key="remove-key")
    assert contradicted() == []


def test_a_closed_sheet_takes_none_and_no_file_is_left(
    workshop: Workshop, job: Job, tmp_path: Path
) -> None:
    workshop.prove(job)
    move(job.pk, "finish", workshop.technician)
    with pytest.raises(Refused):
        add(workshop, job, wav(TWEETER), "A1.1")
    assert list(tmp_path.rglob("*.flac")) == []


@pytest.mark.django_db(transaction=True)
def test_removed_it_takes_its_curves_along_and_no_other(
    workshop: Workshop, job: Job, tmp_path: Path
) -> None:
    first = add(workshop, job, wav(TWEETER), "A1.1")
    add(workshop, job, wav(TWEETER), "A1.2", key="another-key")
    for _ in range(2):
        remove_recording(job.number, first.pk, actor=workshop.technician, key="remove-key")
    assert [one.playing for one in job.measured.all()] == ["A1.2"]
    assert len(list(tmp_path.rglob("*.flac"))) == 1


def test_the_signal_is_made_as_asked_and_never_too_loud(
    workshop: Workshop, job: Job, client: Client
) -> None:
    client.force_login(workshop.technician)
    url = reverse("bay_signal", args=[job.number])
    asked = {"seconds": 2, "level_dbfs": -30, "pause_s": 2, "playing": "each"}
    answer = client.get(url, asked)
    samples, rate = soundfile.read(io.BytesIO(answer.content))
    channels = job.channels.exclude(speakers=None).count()
    assert samples.shape[0] / rate == pytest.approx(
        SignalSpec(seconds=2.0, level_dbfs=-30.0, pause_s=2.0, count=channels).length_s, abs=0.01
    )
    assert np.abs(samples).max() == pytest.approx(10 ** (-30 / 20), rel=0.02)
    assert client.get(url, asked, headers={"If-None-Match": answer["ETag"]}).status_code == 304
    for wrong in ({"level_dbfs": 0}, {"level_dbfs": "nan"}, {"seconds": 600}, {"seconds": "x"}):
        assert client.get(url, {**asked, **wrong}).status_code == 404


def test_from_the_page_by_itself_and_by_hand(workshop: Workshop, job: Job, client: Client) -> None:
    client.force_login(workshop.technician)
    url = reverse("bay_recording_add", args=[job.number])
    typed = {"phase": "before", "playing": "A1.1", "place": "head", "seconds": 2, "pause_s": 2}
    typed |= {"level_dbfs": -20, "key": KEY}

    def file(content: bytes) -> SimpleUploadedFile:
        return SimpleUploadedFile("recording.wav", content)

    by_itself = {"Loombook-Recording": "1"}
    refused = client.post(url, {**typed, "recording": file(silence())}, headers=by_itself)
    assert refused.status_code == 422
    assert refused["Content-Type"].startswith("text/plain")
    kept = client.post(url, {**typed, "recording": file(wav(TWEETER))}, headers=by_itself)
    assert kept.status_code == 201
    assert "as the signal" in kept.content.decode()
    nothing = client.post(url, typed)
    assert nothing.status_code == 422
    assert "No recording arrived" in nothing.content.decode()
    page = client.get(reverse("bay_record", args=[job.number]))
    assert page.context["form"].initial["place"] == "head"
    assert page.context["form"].initial["level_dbfs"] == sums.FIRST_DBFS
    row = job.recordings.get()
    got = client.get(reverse("bay_recording_file", args=[job.number, row.pk]))
    assert b"".join(got)[:4] == b"fLaC"
