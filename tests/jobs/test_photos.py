"""Photos: nothing of a file is kept but its pixels, each is kept once, and only staff see them."""

import errno
import io
import json
import os
import subprocess
import sys
import zlib
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import OperationalError, connection
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import ExifTags, Image

from jobs.errors import Refused
from jobs.lifecycle import Stage
from jobs.models import CheckIn, Job, JobEvent, Photo
from jobs.photos import files as photo_files
from jobs.photos.files import MOST_BYTES, MOST_WAITING, read_picture
from jobs.photos.marks import with_marks
from jobs.reads.photos import PhotoBook
from jobs.services import photos
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_job, make_photo, make_staff

TURNED = 6
"""EXIF orientation: the camera was held a quarter turn clockwise (EXIF 2.32, table 4)."""


def encoded(image: Image.Image, kind: str = "JPEG", **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def decoded(data: bytes) -> Image.Image:
    image = Image.open(io.BytesIO(data))
    image.load()
    return image


def from_a_camera() -> bytes:
    """A picture of a red left and a blue right half, turned, with place, maker and a remark."""
    image = Image.new("RGB", (320, 240), "blue")
    image.paste("red", (0, 0, 160, 240))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = TURNED
    exif[ExifTags.Base.Make] = "Tarnholt Cameras"
    place = exif.get_ifd(ExifTags.IFD.GPSInfo)
    place[ExifTags.GPS.GPSLatitudeRef] = "N"
    place[ExifTags.GPS.GPSLatitude] = (51.0, 30.0, 12.5)
    exif._ifds[ExifTags.IFD.GPSInfo] = place
    return encoded(image, exif=exif, comment=b"taken at the customer's home")


@pytest.fixture
def technician(db: None) -> StaffMember:
    return make_staff(Role.TECHNICIAN)


@pytest.fixture
def job(db: None) -> Job:
    return make_job(Stage.IN_BAY)


def test_place_maker_and_remark_are_gone_and_the_picture_is_upright() -> None:
    sent = from_a_camera()
    with Image.open(io.BytesIO(sent)) as before:
        assert before.getexif().get_ifd(ExifTags.IFD.GPSInfo)
        assert before.info["comment"]
    picture = read_picture(io.BytesIO(sent), len(sent))
    for data in (picture.jpeg, picture.thumbnail):
        kept = decoded(data)
        assert not kept.getexif()
        assert not {"exif", "comment", "xmp", "icc_profile"} & set(kept.info)
        assert b"Tarnholt" not in data
        assert b"home" not in data
        assert kept.width < kept.height
        red, _, blue = kept.convert("RGB").getpixel((kept.width // 2, kept.height // 8))
        assert red > 200 > 60 > blue, "the left half turned clockwise is on top"
    assert (picture.width, picture.height) == (240, 320)


def test_a_see_through_picture_lies_on_white_and_a_large_one_is_shrunk() -> None:
    data = encoded(Image.new("RGBA", (5000, 1000), (255, 0, 0, 0)), "PNG")
    picture = read_picture(io.BytesIO(data), len(data))
    assert (picture.width, picture.height) == (2560, 512)
    assert min(decoded(picture.jpeg).getpixel((10, 10))) > 250


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "I;16", "RGB", "RGBA", "CMYK"])
def test_every_way_to_hold_colours_is_read(mode: str) -> None:
    white = Image.new("L", (3000, 40), 255)
    plain = white.convert(mode) if mode != "I;16" else Image.new(mode, (3000, 40), 65535)
    kind = "JPEG" if mode == "CMYK" else "PNG"
    data = encoded(plain, kind)
    picture = read_picture(io.BytesIO(data), len(data))
    assert picture.width == 2560
    assert min(decoded(picture.jpeg).getpixel((1200, 10))) > 250


def test_a_colour_that_stands_for_nothing_lies_on_white() -> None:
    data = encoded(Image.new("RGB", (3000, 40), "red"), "PNG", transparency=(255, 0, 0))
    picture = read_picture(io.BytesIO(data), len(data))
    assert min(decoded(picture.jpeg).getpixel((1200, 10))) > 250


def png_that_claims(width: int, height: int) -> bytes:
    """A PNG of a few bytes whose header states a huge size."""
    data = bytearray(encoded(Image.new("1", (8, 8)), "PNG"))
    data[16:24] = width.to_bytes(4, "big") + height.to_bytes(4, "big")
    data[29:33] = zlib.crc32(bytes(data[12:29])).to_bytes(4, "big")
    return bytes(data)


def jpeg_that_claims(width: int, height: int, **options: object) -> bytes:
    """A JPEG of a few bytes whose header states a huge size."""
    data = bytearray(encoded(Image.new("RGB", (8, 8)), **options))
    at = data.index(b"\xff\xc2" if options else b"\xff\xc0")
    data[at + 5 : at + 9] = height.to_bytes(2, "big") + width.to_bytes(2, "big")
    return bytes(data)


def in_single_scans(width: int, height: int) -> bytes:
    """A JPEG that is not progressive and whose first scan holds one of its three colours."""
    data = bytearray(jpeg_that_claims(width, height))
    at = data.index(b"\xff\xda")
    data[at + 2 : at + 2 + 12] = b"\x00\x08\x01" + data[at + 5 : at + 7] + b"\x00\x3f\x00"
    return bytes(data)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        pytest.param(png_that_claims(60_000, 60_000), "million pixels", id="bomb"),
        pytest.param(png_that_claims(4_001, 4_000), "million pixels", id="too many pixels"),
        pytest.param(jpeg_that_claims(7_100, 7_100), "million pixels", id="jpeg, too many"),
        pytest.param(
            jpeg_that_claims(4_001, 4_000, progressive=True), "million pixels", id="progressive"
        ),
        pytest.param(in_single_scans(4_001, 4_000), "million pixels", id="a scan a colour"),
        pytest.param(b"\0\0\0\x18ftypheic" + bytes(40), "HEIC", id="heic"),
        pytest.param(b"%PDF-1.7 no picture", "JPEG, PNG or WebP", id="pdf"),
        pytest.param(b"<svg xmlns='x'><script/></svg>", "JPEG, PNG or WebP", id="svg"),
        pytest.param(encoded(Image.effect_noise((320, 240), 90))[:4000], "damaged", id="cut"),
    ],
)
def test_what_is_no_fit_picture_is_refused_in_words(data: bytes, said: str) -> None:
    with pytest.raises(Refused, match=said):
        read_picture(io.BytesIO(data), len(data))


@pytest.mark.parametrize(
    ("kind", "mode", "side", "options"),
    [
        ("PNG", "RGBA", 4000, {}),
        ("WEBP", "RGBA", 4000, {"quality": 10, "method": 0}),
        ("JPEG", "RGB", 7000, {"quality": 10}),
        ("JPEG", "RGB", 4000, {"quality": 10, "progressive": True, "subsampling": 0}),
    ],
)
def test_the_largest_pictures_cost_little_memory_and_give_it_back(
    kind: str, mode: str, side: int, options: dict[str, object], tmp_path: Path
) -> None:
    """Twelve at once cost what one costs; those that cannot wait are told to come again."""
    sent = tmp_path / "picture"
    sent.write_bytes(encoded(Image.new(mode, (side, side)), kind, **options))
    done = subprocess.run(
        [sys.executable, "-m", "tests.pictures_at_once", str(sent), "12"],
        cwd=Path(__file__).parents[2],
        env={**os.environ, "LOOMBOOK_DATA": str(tmp_path)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["kept"] >= 1
    assert told["kept"] + told["busy"] == 12
    assert told["peak_mb"] < 400
    assert told["left_mb"] < 20


def test_a_picture_that_finds_too_many_waiting_is_sent_again_later(
    job: Job, technician: StaffMember, client: Client
) -> None:
    client.force_login(technician)
    url = reverse("photo_list", args=[job.number])

    def send() -> HttpResponse:
        fields = {"photo": io.BytesIO(from_a_camera()), "subject": "job", "key": "made-on-tablet"}
        return client.post(url, fields, headers={"Loombook-Photo": "1"})

    with ExitStack() as waiting:
        for _ in range(1 + MOST_WAITING):
            waiting.enter_context(photo_files._places)
        answer = send()
        assert answer.status_code == 429
        assert answer["Retry-After"]
        assert not Photo.objects.exists()
    assert send().status_code == 201


@pytest.mark.parametrize("fails_at", [1, 2, 5])
def test_a_full_disk_says_so_and_leaves_no_part_of_a_photo(
    job: Job,
    technician: StaffMember,
    data_folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    fails_at: int,
) -> None:
    """At the picture, at its folder, or when its small one is there already."""
    client = Client(raise_request_exception=False)
    client.force_login(technician)
    url = reverse("photo_list", args=[job.number])
    client.get(url)
    sync, calls = os.fsync, []

    def full(handle: int) -> None:
        calls.append(handle)
        if len(calls) == fails_at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        sync(handle)

    def send() -> HttpResponse:
        picture = SimpleUploadedFile("photo.jpg", from_a_camera(), "image/jpeg")
        fields = {"photo": picture, "subject": "job", "key": "made-on-tablet"}
        return client.post(url, fields, headers={"Loombook-Photo": "1"})

    def files() -> list[Path]:
        return [path for path in (data_folder / "media").rglob("*") if path.is_file()]

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        answer = send()
    assert (answer.status_code, answer["Loombook-About"]) == (503, "later")
    assert "its database or its disk does not answer" in answer.content.decode()
    assert files() == []
    assert not Photo.objects.exists()
    assert send().status_code == 201
    assert len(files()) == 2


def test_a_commit_that_is_cut_off_takes_no_file_away(
    job: Job, technician: StaffMember, data_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may have come through: a row without its file would be a photo lost."""

    def cut(sid: str) -> None:
        raise OperationalError("server closed the connection unexpectedly")

    with monkeypatch.context() as patch:
        patch.setattr(connection, "savepoint_commit", cut)
        with pytest.raises(OperationalError):
            make_photo(job, technician, key="made-on-tablet")
    assert len([path for path in (data_folder / "media").rglob("*") if path.is_file()]) == 2


def test_a_huge_file_is_refused_before_it_is_read() -> None:
    class Unread(io.BytesIO):
        def read(self, *args: object) -> bytes:
            raise AssertionError("it was read")

    with pytest.raises(Refused, match="at most"):
        read_picture(Unread(), MOST_BYTES + 1)


def test_the_same_key_is_kept_once(job: Job, technician: StaffMember) -> None:
    first = make_photo(job, technician, key="made-on-the-tablet-1")
    again = make_photo(job, technician, key="made-on-the-tablet-1", data=from_a_camera())
    assert again.pk == first.pk
    assert Photo.objects.count() == 1
    assert JobEvent.objects.filter(job=job, code="photo.added").count() == 1
    folder = Path(first.file.path).parent
    assert len(list(folder.iterdir())) == 2


def test_a_photo_of_a_row_that_is_gone_is_kept_with_the_job(
    job: Job, technician: StaffMember
) -> None:
    other = make_job(Stage.IN_BAY).function_checks.first()
    photo = make_photo(job, technician, subject=f"function:{other.pk}")
    assert photo.subject == "job"


def test_the_strips_of_a_page_share_one_query(
    job: Job, technician: StaffMember, django_assert_num_queries: Callable[[int], object]
) -> None:
    checks = list(job.function_checks.all()[:4])
    for check in checks:
        make_photo(job, technician, subject=f"function:{check.pk}")
    with django_assert_num_queries(1):
        shown = [PhotoBook.of(job).photos(f"function:{check.pk}") for check in checks]
    assert [len(one) for one in shown] == [1, 1, 1, 1]


def test_only_signed_in_staff_get_the_file(
    job: Job, technician: StaffMember, client: Client
) -> None:
    photo = make_photo(job, technician)
    for name in ("photo_file", "photo_thumbnail"):
        url = reverse(name, args=[job.number, photo.pk])
        client.logout()
        answer = client.get(url)
        assert answer.status_code == 302
        assert answer["Location"].startswith(reverse("login"))
        client.force_login(technician)
        answer = client.get(url)
        assert answer.status_code == 200
        assert answer["Content-Type"] == "image/jpeg"
        assert answer["X-Content-Type-Options"] == "nosniff"
        assert "private" in answer["Cache-Control"]
        assert decoded(b"".join(answer.streaming_content)).format == "JPEG"
    elsewhere = make_job(Stage.IN_BAY)
    assert client.get(reverse("photo_file", args=[elsewhere.number, photo.pk])).status_code == 404
    assert client.get(f"/media/{photo.file.name}").status_code == 404


def test_removed_and_put_back_is_logged_and_not_done_on_a_closed_sheet(
    job: Job, technician: StaffMember
) -> None:
    photo = make_photo(job, technician)
    photos.remove_photo(job.number, photo.pk, actor=technician)
    assert not Photo.objects.kept().exists()
    photos.remove_photo(job.number, photo.pk, actor=technician, back=True)
    assert Photo.objects.kept().get() == photo
    codes = list(job.events.order_by("pk").values_list("code", flat=True))[-3:]
    assert codes == ["photo.added", "photo.removed", "photo.put_back"]
    Job.objects.filter(pk=job.pk).update(stage=Stage.SIGNED_OFF)
    with pytest.raises(Refused, match="signed off"):
        photos.remove_photo(job.number, photo.pk, actor=technician)
    assert Photo.objects.kept().exists()


def test_what_the_customer_signed_stays(technician: StaffMember) -> None:
    job = make_job(Stage.BOOKED)
    photo = make_photo(job, technician, subject="check_in")
    CheckIn.objects.create(job=job, signed_name="I Halloran", signed_at=timezone.now())
    with pytest.raises(Refused, match="customer signed"):
        photos.remove_photo(job.number, photo.pk, actor=technician)
    with pytest.raises(Refused, match="customer signed"):
        photos.change_photo(
            job.number, photo.pk, {"caption": "No scratch"}, version=1, actor=technician
        )


def test_marks_are_burned_in_where_they_were_drawn(job: Job, technician: StaffMember) -> None:
    grey = encoded(Image.new("RGB", (1000, 500), "grey"))
    photo = make_photo(job, technician, data=grey)
    marks = [
        {"kind": "circle", "x": 0.25, "y": 0.5, "r": 0.1},
        {"kind": "arrow", "x1": 0.9, "y1": 0.9, "x2": 0.6, "y2": 0.2},
    ]
    photos.change_photo(job.number, photo.pk, {"annotations": marks}, version=1, actor=technician)
    photo.refresh_from_db()
    assert photo.annotations == marks
    with photo.file.open("rb") as file:
        plain = file.read()
    burned = decoded(with_marks(plain, marks)).convert("RGB")
    for x, y in ((350, 250), (150, 250), (250, 150), (750, 275), (604, 110)):
        red, green, blue = burned.getpixel((x, y))
        assert red > 170 > 110 > max(green, blue), (x, y)
    for x, y in ((250, 250), (450, 450), (850, 100)):
        assert max(burned.getpixel((x, y))) - min(burned.getpixel((x, y))) < 20, (x, y)
    assert max(decoded(plain).convert("RGB").getpixel((350, 250))) < 150


@pytest.mark.parametrize(
    "mark",
    [
        {"kind": "circle", "x": 1.2, "y": 0.5, "r": 0.1},
        {"kind": "circle", "x": '0.5"/>', "y": 0.5, "r": 0.1},
        {"kind": "blot", "x": 0.5, "y": 0.5},
        "circle",
    ],
)
def test_a_mark_that_is_none_is_refused(job: Job, technician: StaffMember, mark: object) -> None:
    photo = make_photo(job, technician)
    with pytest.raises(Refused, match="draw it again"):
        photos.change_photo(
            job.number, photo.pk, {"annotations": [mark]}, version=1, actor=technician
        )
