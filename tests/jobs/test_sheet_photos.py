"""The review and the sheet show the job's photos; a signed sheet never shows another picture."""

import hashlib
import io
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from PIL import Image, ImageDraw
from pypdf import PdfReader

from jobs import frozen
from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import InstallSheet, Job, Photo
from jobs.services import photos
from jobs.services.moves import move
from jobs.sheet import document as sheet_document, photos as sheet_photos, render
from jobs.sheet.sign_off import collect_job
from jobs.sheet.values import sheet_values
from tests.factories import make_photo
from tests.jobs.workshop import Workshop

pytestmark = pytest.mark.django_db


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


def picture(colour: str, width: int = 1600, height: int = 1200) -> bytes:
    """A plain picture with one dark corner, as a camera's file."""
    image = Image.new("RGB", (width, height), colour)
    ImageDraw.Draw(image).rectangle((0, 0, width // 8, height // 8), fill="black")
    out = io.BytesIO()
    image.save(out, "JPEG", quality=90)
    return out.getvalue()


@pytest.fixture
def job(workshop: Workshop) -> Job:
    """A job ready for review with three photos, one of them with a circle on it."""
    job = workshop.job()
    workshop.wire(job)
    workshop.prove(job)
    channel = job.channels.get(number=2)
    make_photo(job, workshop.technician, data=picture("teal"), caption="Sill plug before")
    circled = make_photo(
        job, workshop.technician, data=picture("grey"), subject=f"channel:{channel.pk}"
    )
    make_photo(job, workshop.technician, data=picture("navy"), subject="check_in")
    photos.change_photo(
        job.number,
        circled.pk,
        {"annotations": [{"kind": "circle", "x": 0.5, "y": 0.5, "r": 0.2}]},
        version=1,
        actor=workshop.technician,
    )
    return move(job.pk, "finish", workshop.technician)


def middle(data: bytes) -> tuple[int, ...]:
    """The colour beside the middle, inside any circle drawn there."""
    image = Image.open(io.BytesIO(data)).convert("RGB")
    pixel = image.getpixel((image.width // 2, image.height // 2))
    assert isinstance(pixel, tuple)
    return pixel


def colours(pdf: bytes) -> set[tuple[int, ...]]:
    """What the photos printed in a PDF show in their middle."""
    reader = PdfReader(io.BytesIO(pdf))
    found = [one for page in reader.pages for one in page.images]
    return {middle(one.data) for one in found if one.image and one.image.width > 300}


def swap_file(photo: Photo, colour: str) -> None:
    Path(photo.file.path).write_bytes(picture(colour))


def test_the_review_shows_the_photos_with_captions_and_marks(
    workshop: Workshop, job: Job, client: Client
) -> None:
    client.force_login(workshop.manager)
    page = client.get(reverse("review", args=[job.number])).content.decode()
    for photo in job.photos.all():
        src = f"{reverse('photo_printed', args=[job.number, photo.pk])}?v={photo.version}"
        assert f'src="{src}"' in page
        assert f'href="{reverse("photo", args=[job.number, photo.pk])}"' in page
    assert "Sill plug before" in page
    assert "Channel A1.2" in page
    circled = job.photos.get(subject__startswith="channel")
    answer = client.get(reverse("photo_printed", args=[job.number, circled.pk]))
    image = Image.open(io.BytesIO(answer.content))
    assert max(image.size) == sheet_photos.PRINTED_SIDE
    red, green, blue = image.convert("RGB").getpixel((int(image.width * 0.7), image.height // 2))
    assert red > 150 > max(green, blue)


def test_a_signed_sheet_freezes_each_picture_by_its_digest(
    workshop: Workshop, job: Job, client: Client
) -> None:
    sheet = workshop.sign(job)
    listed = sheet.document["photos"]
    kept = {photo.pk: photo for photo in job.photos.all()}
    assert {one["id"] for one in listed} == set(kept)
    for one in listed:
        data = Path(kept[one["id"]].file.path).read_bytes()
        assert one["sha256"] == hashlib.sha256(data).hexdigest()
    assert [one["shows"] for one in listed] == ["On arrival", "The job", "Channel A1.2"]
    assert len(colours(bytes(sheet.pdf))) == 3
    assert "Sill plug before" in " ".join(
        page.extract_text() for page in PdfReader(io.BytesIO(bytes(sheet.pdf))).pages
    )

    frozen.remove(connection)
    Photo.objects.filter(pk=listed[1]["id"]).update(caption="Written since", annotations=[])
    frozen.install(connection)
    client.force_login(workshop.desk)
    page = client.get(reverse("sheet", args=[job.number, 1])).content.decode()
    assert "Sill plug before" in page
    assert "Written since" not in page
    for one in listed:
        url = reverse("sheet_photo", args=[job.number, 1, one["sha256"]])
        assert f'src="{url}"' in page
        assert client.get(url)["Content-Type"] == "image/jpeg"
    assert client.get(reverse("sheet_photo", args=[job.number, 1, "0" * 64])).status_code == 404


def test_a_picture_swapped_after_signing_is_shown_nowhere(
    workshop: Workshop, job: Job, client: Client
) -> None:
    sheet = workshop.sign(job)
    before = colours(bytes(sheet.pdf))
    photo = job.photos.get(subject="job")
    [listed] = [one for one in sheet.document["photos"] if one["id"] == photo.pk]
    swap_file(photo, "yellow")
    client.force_login(workshop.desk)
    page = client.get(reverse("sheet", args=[job.number, 1])).content.decode()
    url = reverse("sheet_photo", args=[job.number, 1, listed["sha256"]])
    assert url not in page
    assert "no longer the one that was signed" in page
    assert client.get(url).status_code == 404
    receipt = collect_job(job.pk, workshop.desk, "TESSA ROWAN")
    after = colours(bytes(receipt.pdf))
    assert len(before) == 3
    assert len(after) == 2
    assert after < before
    Path(photo.file.path).unlink()
    assert client.get(url).status_code == 404


def test_a_missing_picture_is_not_signed_over(workshop: Workshop, job: Job) -> None:
    photo = job.photos.get(subject="job")
    Path(photo.file.path).unlink()
    with pytest.raises(Refused, match=r"restore it from the backup, or remove the photo"):
        workshop.sign(job)
    assert not InstallSheet.objects.filter(job=job).exists()


def test_a_removed_photo_is_on_no_sheet(workshop: Workshop, job: Job) -> None:
    move(job.pk, "recall", workshop.technician)
    gone = job.photos.get(subject="job")
    photos.remove_photo(job.number, gone.pk, actor=workshop.technician)
    move(job.pk, "finish", workshop.technician)
    sheet = workshop.sign(job)
    assert gone.pk not in {one["id"] for one in sheet.document["photos"]}
    assert len(colours(bytes(sheet.pdf))) == 2


def test_a_sheet_prints_so_many_and_names_the_rest(
    workshop: Workshop, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sheet_photos, "MOST_PRINTED", 2)
    monkeypatch.setattr("jobs.sheet.values.MOST_PRINTED", 2)
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    assert len(document["photos"]) == 3
    values: dict[str, Any] = sheet_values(document)["photos"]
    assert ([len(row) for row in values["rows"]], values["more"]) == ([2], 1)
    html = render.sheet_html(document)
    assert html.count("data:image/jpeg") == 2
    assert "1 more photo is kept with the job." in html


@pytest.mark.parametrize("stage", [Stage.IN_BAY, Stage.COLLECTED])
@pytest.mark.parametrize("subject", ["", "check_in", "job"])
def test_no_photos_is_said_only_where_there_is_none(
    workshop: Workshop, client: Client, stage: Stage, subject: str
) -> None:
    job = workshop.job()
    if subject:
        make_photo(job, workshop.technician, subject=subject)
    Job.objects.filter(pk=job.pk).update(stage=stage)
    client.force_login(workshop.technician)
    for url in (reverse("photo_list", args=[job.number]), job.get_absolute_url()):
        page = client.get(url).content.decode()
        assert ("No photos." in page) == (stage == Stage.COLLECTED and not subject)
        assert ("photo-add" in page) == (stage == Stage.IN_BAY)
