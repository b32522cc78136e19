"""Backup and restore, on whichever database the suite runs."""

import hashlib
import io
import json
import sqlite3
import tarfile
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import Error, connection, transaction

from jobs.models import JobEvent, RecordChain
from jobs.services.events import log
from shop.backups import BackupError, restore_backup, write_backup
from shop.models import Customer
from shop.roles import Role
from tests.factories import make_job, make_staff

pytestmark = pytest.mark.django_db(transaction=True)

PHOTO = "media/guides/2026/harness.txt"
KEY = "signing-key.pem"


@pytest.fixture
def shop_with_files(data_folder: Path) -> Path:
    """A shop with one customer, one upload and one key; returns its data folder."""
    (data_folder / PHOTO).parent.mkdir(parents=True)
    (data_folder / PHOTO).write_text("as photographed")
    (data_folder / KEY).write_text("first key")
    Customer.objects.create(name="Wilma Tern")
    return data_folder


def rewritten(archive: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """A copy of an archive after `change` has been made to its files by name."""
    with tarfile.open(archive) as tar:
        files = {member.name: tar.extractfile(member).read() for member in tar}
    change(files)
    copy = archive.with_name("rewritten.tar.gz")
    with tarfile.open(copy, "w:gz") as tar:
        for name, content in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            tar.addfile(member, io.BytesIO(content))
    return copy


def everything(data_folder: Path) -> tuple[list[str], str, str, list[str]]:
    """The shop as a restore could change it."""
    return (
        list(Customer.objects.order_by("pk").values_list("name", flat=True)),
        (data_folder / PHOTO).read_text(),
        (data_folder / KEY).read_text(),
        sorted(path.name for path in data_folder.iterdir() if path.is_dir()),
    )


def test_restore_brings_back_rows_uploads_and_keys(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    Customer.objects.update(name="Overwritten")
    Customer.objects.create(name="Added later")
    (shop_with_files / PHOTO).write_text("spoilt")
    (shop_with_files / "media/later.txt").write_text("added later")
    (shop_with_files / KEY).unlink()

    call_command("restore", archive, replace=True)

    assert list(Customer.objects.values_list("name", flat=True)) == ["Wilma Tern"]
    assert (shop_with_files / PHOTO).read_text() == "as photographed"
    assert not (shop_with_files / "media/later.txt").exists()
    assert (shop_with_files / KEY).read_text() == "first key"


def test_replaced_data_is_kept_aside(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    Customer.objects.update(name="Only in the replaced data")
    (shop_with_files / PHOTO).write_text("replaced photo")

    aside = restore_backup(archive, replace=True).set_aside

    assert aside is not None
    assert (aside / PHOTO).read_text() == "replaced photo"
    if connection.vendor == "sqlite":
        [database] = aside.glob("*.sqlite3*")
        with closing(sqlite3.connect(database)) as old:
            names = old.execute("SELECT name FROM shop_customer").fetchall()
        assert names == [("Only in the replaced data",)]
    else:
        assert (aside / "database.dump").read_bytes().startswith(b"PGDMP")


def test_existing_data_is_not_replaced_unasked(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    Customer.objects.create(name="Newer than the backup")
    before = everything(shop_with_files)
    with pytest.raises(CommandError, match="--replace"):
        call_command("restore", archive)
    assert everything(shop_with_files) == before


def test_restores_into_an_empty_shop(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    Customer.objects.all().delete()
    (shop_with_files / PHOTO).unlink()
    assert restore_backup(archive, replace=False).set_aside is None
    assert Customer.objects.get().name == "Wilma Tern"
    assert (shop_with_files / PHOTO).read_text() == "as photographed"


def change_upload(files: dict[str, bytes]) -> None:
    files[f"data/{PHOTO}"] = b"forged"


def drop_upload(files: dict[str, bytes]) -> None:
    del files[f"data/{PHOTO}"]


def add_stranger(files: dict[str, bytes]) -> None:
    files["data/media/stranger.txt"] = b"not in the manifest"


def climb_out(files: dict[str, bytes]) -> None:
    files["data/../../climbed.txt"] = b"outside"


def add_unknown_migration(files: dict[str, bytes]) -> None:
    manifest = json.loads(files["manifest.json"])
    manifest["migrations"].append("jobs.9999_from_the_future")
    files["manifest.json"] = json.dumps(manifest).encode()


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (change_upload, f"damaged: data/{PHOTO}"),
        (drop_upload, f"damaged: data/{PHOTO}"),
        (add_stranger, "damaged: data/media/stranger.txt"),
        (climb_out, "not a plain file"),
        (add_unknown_migration, "newer"),
    ],
)
def test_a_doubtful_archive_changes_nothing(
    shop_with_files: Path,
    tmp_path: Path,
    change: Callable[[dict[str, bytes]], None],
    reason: str,
) -> None:
    archive = rewritten(write_backup(tmp_path / "elsewhere"), change)
    before = everything(shop_with_files)
    with pytest.raises(BackupError, match=reason):
        restore_backup(archive, replace=True)
    assert everything(shop_with_files) == before


def test_a_truncated_archive_changes_nothing(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    archive.write_bytes(archive.read_bytes()[:-200])
    before = everything(shop_with_files)
    with pytest.raises(BackupError, match="cannot be read"):
        restore_backup(archive, replace=True)
    assert everything(shop_with_files) == before


def test_a_failure_while_replacing_puts_everything_back(
    shop_with_files: Path, tmp_path: Path
) -> None:
    def spoil_database(files: dict[str, bytes]) -> None:
        [name] = [name for name in files if name.startswith("database.")]
        files[name] = files[name][: len(files[name]) // 2]
        manifest = json.loads(files["manifest.json"])
        manifest["files"][name] = {
            "bytes": len(files[name]),
            "sha256": hashlib.sha256(files[name]).hexdigest(),
        }
        files["manifest.json"] = json.dumps(manifest).encode()

    archive = rewritten(write_backup(tmp_path / "elsewhere"), spoil_database)
    before = everything(shop_with_files)
    with pytest.raises(BackupError):
        restore_backup(archive, replace=True)
    assert everything(shop_with_files) == before


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL keeps its own files")
def test_a_restore_takes_the_place_of_a_damaged_database(
    shop_with_files: Path, tmp_path: Path
) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    live = Path(connection.settings_dict["NAME"])
    damaged = b"not a database at all, " * 200
    connection.close()
    for end in ("-wal", "-shm"):
        Path(f"{live}{end}").unlink(missing_ok=True)
    live.write_bytes(damaged)

    with pytest.raises(CommandError, match="--replace"):
        call_command("restore", archive)
    assert live.read_bytes() == damaged
    call_command("restore", archive, replace=True)

    assert list(Customer.objects.values_list("name", flat=True)) == ["Wilma Tern"]
    [aside] = shop_with_files.glob("replaced-*")
    assert (aside / live.name).read_bytes() == damaged


@pytest.mark.skipif(connection.vendor != "sqlite", reason="PostgreSQL locks its tables itself")
def test_a_running_server_is_noticed(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    before = everything(shop_with_files)
    with closing(sqlite3.connect(connection.settings_dict["NAME"])) as server:
        server.execute("SELECT count(*) FROM shop_customer").fetchone()
        with pytest.raises(BackupError, match="stop it"):
            restore_backup(archive, replace=True)
    assert everything(shop_with_files) == before


def test_work_in_progress_is_left_out(shop_with_files: Path, tmp_path: Path) -> None:
    """A change not yet committed neither delays the backup nor enters it."""
    started, finish = threading.Event(), threading.Event()

    def half_done() -> None:
        with transaction.atomic():
            Customer.objects.create(name="Not committed")
            started.set()
            finish.wait(30)
            transaction.set_rollback(True)
        connection.close()

    worker = threading.Thread(target=half_done)
    worker.start()
    try:
        assert started.wait(30)
        archive = write_backup(tmp_path / "elsewhere")
    finally:
        finish.set()
        worker.join()
    restore_backup(archive, replace=True)
    assert list(Customer.objects.values_list("name", flat=True)) == ["Wilma Tern"]


def test_logged_rows_still_refuse_changes_after_a_restore(
    shop_with_files: Path, tmp_path: Path
) -> None:
    log(make_job(), make_staff(Role.MANAGER), "noted")
    restore_backup(write_backup(tmp_path / "elsewhere"), replace=True)
    with pytest.raises(Error, match="cannot be changed"):
        JobEvent.objects.update(code="forged")


def test_only_the_newest_archives_are_kept(shop_with_files: Path, tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    for day in (1, 2, 3):
        (folder / f"loombook-2020010{day}-000000.tar.gz").touch()
    call_command("backup", to=folder, keep=2)
    kept = sorted(path.name for path in folder.iterdir())
    assert len(kept) == 2
    assert kept[0] == "loombook-20200103-000000.tar.gz"


def test_no_old_archive_goes_while_the_record_does_not_hold(
    shop_with_files: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    (folder / "loombook-20200101-000000.tar.gz").touch()
    log(make_job(), make_staff(Role.MANAGER), "noted")
    RecordChain.objects.update(count=7)
    with pytest.raises(CommandError, match="not as they were signed"):
        call_command("backup", to=folder, keep=1, check_record=True)
    assert len(list(folder.iterdir())) == 2
    RecordChain.objects.update(count=1)
    call_command("backup", to=folder, keep=1, check_record=True)
    assert len(list(folder.iterdir())) == 1
