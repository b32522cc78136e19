"""The shop's logo: read once, kept small, on every paper from then on and on no signed one."""

import io
from base64 import b64decode
from typing import Any

import numpy as np
import pytest
from django.core.exceptions import ValidationError
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image, ImageDraw

from jobs.paper import counter_paper
from jobs.sheet import document as sheet_document, render
from shop.logo import HEIGHT, MOST_KEPT, WIDTH, data_url
from shop.models import ShopEvent, ShopLogo
from shop.roles import Role
from tests.factories import make_job, make_staff

pytestmark = pytest.mark.django_db


def drawing(size: tuple[int, int] = (1200, 500), form: str = "PNG") -> SimpleUploadedFile:
    picture = Image.new("RGBA" if form == "PNG" else "RGB", size)
    ImageDraw.Draw(picture).ellipse((20, 20, 400, 400), fill=(10, 90, 160))
    file = io.BytesIO()
    picture.save(file, form, comment=b"taken at home") if form == "JPEG" else picture.save(
        file, form
    )
    return SimpleUploadedFile("logo.png", file.getvalue())


def kept(url: str) -> Image.Image:
    assert url.startswith("data:image/png;base64,")
    return Image.open(io.BytesIO(b64decode(url.partition(",")[2])))


@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP"])
def test_a_picture_is_kept_small_and_holds_nothing_else(form: str) -> None:
    url = data_url(drawing(form=form))
    picture = kept(url)
    assert (picture.width <= WIDTH, picture.height <= HEIGHT) == (True, True)
    assert picture.width / picture.height == pytest.approx(1200 / 500, rel=0.01)
    assert len(url) < MOST_KEPT * 1.4
    assert b"taken at home" not in picture.tobytes() + repr(picture.info).encode()


def noise() -> SimpleUploadedFile:
    pixels = np.random.default_rng(1).integers(0, 255, (600, 1800, 3), dtype=np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "PNG")
    return SimpleUploadedFile("noise.png", file.getvalue())


@pytest.mark.parametrize(
    ("file", "said"),
    [
        (lambda: SimpleUploadedFile("a.svg", b"<svg/>"), "no PNG, JPEG or WebP"),
        (lambda: SimpleUploadedFile("a.png", b""), "no PNG, JPEG or WebP"),
        (lambda: drawing((5000, 4000)), "too many pixels"),
        (noise, "send a plain drawing"),
    ],
)
def test_what_is_none_is_refused_with_what_to_do(file: Any, said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        data_url(file())


@pytest.mark.paper
def test_on_every_paper_from_then_on_and_taken_off(client: Client) -> None:
    client.force_login(make_staff(Role.MANAGER))
    job = make_job()
    url = reverse("shop_logo")
    before = sheet_document.draft(sheet_document.load(pk=job.pk))
    for _ in range(2):
        assert client.post(url, {"logo": drawing()}).status_code == 302
    shown = ShopLogo.objects.get().image
    assert shown in client.get(url).content.decode()
    document = sheet_document.draft(sheet_document.load(pk=job.pk))
    for html in (render.sheet_html(document), render.customer_html(document)):
        assert html.count(shown) == 1
    assert shown not in render.sheet_html(before)
    assert counter_paper(job, "receipt", "https://book.example/").startswith(b"%PDF")
    said = [f"{one.before}{one.after}" for one in ShopEvent.objects.all()]
    assert not any("base64" in one for one in said)
    client.post(url, {"do": "remove"})
    assert ShopLogo.shown() == ""
    refused = client.post(url, {})
    assert refused.status_code == 422
