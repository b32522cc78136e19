"""Uploads in a store that several machines share, on a stand-in that speaks S3 on loopback."""

import io
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from moto.server import ThreadedMotoServer
from PIL import Image

from jobs.lifecycle import Stage
from jobs.models import CheckIn, FitProof, Job, Photo
from jobs.services.check_in import Mark, save_check_in, sign_check_in
from jobs.sheet import photos as sheet_photos
from shop import frozen
from shop.backups import restore_backup, write_backup
from shop.project.stores import ON_DISK, store_of
from shop.roles import Role
from tests.factories import make_job, make_photo, make_staff

pytestmark = pytest.mark.django_db(transaction=True)


def serving(port: int = 0) -> ThreadedMotoServer:
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    return server


class Store:
    """A store that can be taken away and comes back with what it held."""

    def __init__(self) -> None:
        self.server = serving()
        _, self.port = self.server.get_host_and_port()
        self.url = f"s3://shop-files/west?endpoint=http://127.0.0.1:{self.port}"

    def take_away(self) -> None:
        self.server.stop()

    def bring_back(self) -> None:
        self.server = serving(self.port)


@pytest.fixture
def store(settings: Any, monkeypatch: pytest.MonkeyPatch, data_folder: Path) -> Iterator[Store]:
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", "key-of-the-shop")
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", "secret-of-the-shop")
    store = Store()
    settings.STORAGES = {**settings.STORAGES, "default": store_of(store.url)}
    bucket: Any = default_storage
    bucket.connection.create_bucket(Bucket="shop-files")
    yield store
    store.take_away()
    from moto.backends import get_backend

    get_backend("s3").reset()


def stored() -> dict[str, bytes]:
    """Every file in the store with what it holds."""
    kept: Any = default_storage
    return {name: kept.open(name).read() for name in kept.names()}


def shop_with_equal_files() -> tuple[Job, CheckIn, list[Photo], list[FitProof]]:
    """A checked-in job with two equal photos, signed with its condition, and two equal guides."""
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(Stage.BOOKED)
    condition = save_check_in(
        job.pk, {"odometer": 48210}, [Mark("dent", 0.4, 0.3)], version=0, actor=desk
    )
    mark = condition.marks.get().key
    photos = [make_photo(job, desk, subject=f"mark:{mark}") for _ in range(2)]
    sign_check_in(
        job.pk, signed_name="TESSA ROWAN", signature="", version=condition.version, actor=desk
    )
    guides = [
        FitProof.objects.create(
            job=job,
            source="Fitting list",
            consulted_on=timezone.localdate(),
            outcome="fits",
            by=desk,
            guide=ContentFile(b"Cut here.", name="guide.txt"),
        )
        for _ in range(2)
    ]
    return job, condition, photos, guides


def test_kept_served_backed_up_restored_and_checked(
    store: Store, client: Client, data_folder: Path, tmp_path: Path, settings: Any
) -> None:
    job, _, photos, guides = shop_with_equal_files()
    files = stored()
    assert len(files) == 6, "two pictures of each photo and a guide of each proof, none twice"
    assert len({one.guide.name for one in guides}) == 2
    assert not list((data_folder / "media").rglob("*"))
    client.force_login(make_staff(Role.TECHNICIAN))
    for photo in photos:
        answer = client.get(reverse("photo_file", args=[job.number, photo.pk]))
        assert b"".join(answer.streaming_content) == files[photo.file.name]
    answer = client.get(reverse("bay_fit_guide", args=[job.number, guides[1].pk]))
    assert b"".join(answer.streaming_content) == b"Cut here."
    call_command("check_record")

    archive = write_backup(tmp_path / "elsewhere")
    kept: Any = default_storage
    first, second = (str(one.file.name) for one in photos)
    kept.put(second, ContentFile(b"another picture"), over=True)
    with pytest.raises(CommandError, match="not as they were signed"):
        call_command("check_record")
    kept.put(second, ContentFile(files[second]), over=True)
    kept.delete(first)
    with pytest.raises(CommandError, match="not as they were signed"):
        call_command("check_record")
    kept.put(second, ContentFile(b"another picture"), over=True)

    aside = restore_backup(archive, replace=True).set_aside
    assert stored() == files
    assert aside is not None
    assert (aside / "media" / second).read_bytes() == b"another picture"
    call_command("check_record")

    # The same archive brings the shop back to files on its own disk.
    settings.STORAGES = {**settings.STORAGES, "default": ON_DISK}
    restore_backup(archive, replace=True)
    for name, content in files.items():
        assert (data_folder / "media" / name).read_bytes() == content
    call_command("check_record")


def test_a_store_that_is_away_loses_nothing(store: Store, client: Client, tmp_path: Path) -> None:
    job, _, [photo, _], _ = shop_with_equal_files()
    before = stored()
    client.force_login(make_staff(Role.TECHNICIAN))
    out = io.BytesIO()
    Image.new("RGB", (120, 80), "grey").save(out, "JPEG")

    def send() -> Any:
        picture = SimpleUploadedFile("photo.jpg", out.getvalue(), "image/jpeg")
        fields = {"photo": picture, "subject": "job", "key": "made-on-tablet"}
        url = reverse("photo_list", args=[job.number])
        return client.post(url, fields, headers={"Loombook-Photo": "1"})

    frozen.remove(connection)
    Job.objects.update(stage=Stage.IN_BAY)
    frozen.install(connection)
    store.take_away()
    client.raise_request_exception = False
    answer = send()
    assert (answer.status_code, answer["Loombook-About"]) == (503, "later")
    assert not Photo.objects.filter(key="made-on-tablet").exists()
    assert client.get(reverse("photo_file", args=[job.number, photo.pk])).status_code == 503
    with pytest.raises(OSError):
        sheet_photos.bytes_of(photo)  # A sheet never says that a picture is gone which is not.
    with pytest.raises(CommandError, match="was not finished"):
        call_command("check_record")
    with pytest.raises(CommandError, match="Not every upload could be read"):
        call_command("backup", to=tmp_path / "elsewhere")
    assert not list((tmp_path / "elsewhere").iterdir())
    # The rest of the shop goes on.
    assert client.get(reverse("job", args=[job.number])).status_code == 200
    store.bring_back()
    assert stored() == before
    assert [send().status_code for _ in range(2)] == [201, 201]
    assert len(stored()) == len(before) + 2
    assert Photo.objects.filter(key="made-on-tablet").count() == 1


@pytest.mark.once
@pytest.mark.parametrize(
    "slip",
    [
        "https://shop-files/west",
        "s3:///west",
        "s3://key:secret@shop-files",
        "s3://shop-files?endpoint=127.0.0.1",
        "s3://shop-files?backup=yes",
        "s3://shop-files?secret=1",
    ],
)
def test_an_address_that_is_none_is_told(slip: str) -> None:
    with pytest.raises(SystemExit, match="LOOMBOOK_FILES"):
        store_of(slip)


@pytest.mark.once
def test_what_speaks_to_a_store_is_loaded_only_where_one_is_set() -> None:
    asked = (
        "import sys, os; os.environ['DJANGO_SETTINGS_MODULE'] = 'shop.project.settings'\n"
        "import django; django.setup()\n"
        "from django.core.files.storage import default_storage as kept; kept.standing\n"
        "print({'boto3', 'botocore', 'storages'} & sys.modules.keys())"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True)
    assert done.stdout == "set()\n", done.stderr
