"""Backup and restore, on whichever database the suite runs."""

import gc
import hashlib
import io
import json
import os
import re
import sqlite3
import stat
import tarfile
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest
from django.contrib.auth.hashers import make_password
from django.core.management import CommandError, call_command
from django.db import DatabaseError, Error, connection, transaction
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.urls import reverse

from jobs.models import Hook, HookDelivery, JobEvent, RecordChain, ShopChain, Told
from jobs.services import hooks, shop_chain
from jobs.services.events import log
from shop import backups
from shop.backups import BackupError, restore_backup, signature_of, write_backup
from shop.models import (
    ApiToken,
    CodeApp,
    Customer,
    Shop,
    ShopEvent,
    SignIn,
    StaffMember,
    Tablet,
)
from shop.roles import Role
from shop.services import (
    api_tokens,
    ended_since,
    events,
    restored,
    second_factor,
    sign_ins,
    tablets,
    unfinished_restore,
)
from tests.factories import make_hook, make_job, make_shop, make_staff, make_token

pytestmark = pytest.mark.django_db(transaction=True)

PHOTO = "media/guides/2026/harness.txt"
KEY = "signing-key.pem"


@pytest.fixture
def shop_with_files(data_folder: Path) -> Path:
    """A shop with one customer, one upload and one key; returns its data folder."""
    gc.collect()  # The connection of a thread that is gone is closed when it is collected.
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


def signed_anew(files: dict[str, bytes], folder: Path) -> None:
    """As somebody with the key could."""
    key = bytes.fromhex((folder / "backup.key").read_text())
    files["manifest.hmac"] = signature_of(files["manifest.json"], key)


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


@pytest.mark.once
def test_a_backup_without_room_says_so_and_leaves_nothing(
    shop_with_files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for full in (OSError(28, "No space left on device"), sqlite3.OperationalError("disk is full")):
        monkeypatch.setattr(backups, "_require_sound", Mock(side_effect=full))
        with pytest.raises(CommandError, match=f"{re.escape(str(full))}.*Make room"):
            call_command("backup", to=tmp_path / "kept")
        assert list((tmp_path / "kept").iterdir()) == []


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


def forge_with_manifest(files: dict[str, bytes]) -> None:
    """Another upload, and a manifest that says so."""
    files[f"data/{PHOTO}"] = b"forged"
    manifest = json.loads(files["manifest.json"])
    manifest["files"][f"data/{PHOTO}"] = {
        "bytes": len(b"forged"),
        "sha256": hashlib.sha256(b"forged").hexdigest(),
    }
    files["manifest.json"] = json.dumps(manifest).encode()


def forge_and_sign(files: dict[str, bytes]) -> None:
    """With every key that the archive itself holds, and none."""
    forge_with_manifest(files)
    assert not any(name.endswith("backup.key") for name in files)
    files["manifest.hmac"] = signature_of(files["manifest.json"], bytes(32))


def forge_unsigned(files: dict[str, bytes]) -> None:
    forge_with_manifest(files)
    del files["manifest.hmac"]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (change_upload, f"damaged: data/{PHOTO}"),
        (drop_upload, f"damaged: data/{PHOTO}"),
        (add_stranger, "damaged: data/media/stranger.txt"),
        (climb_out, "not a plain file"),
        (add_unknown_migration, "not made with the key"),
        (forge_with_manifest, "not made with the key"),
        (forge_and_sign, "not made with the key"),
        (forge_unsigned, "not signed"),
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
        signed_anew(files, shop_with_files)

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


def test_an_archive_of_a_newer_version_is_refused(shop_with_files: Path, tmp_path: Path) -> None:
    def newer(files: dict[str, bytes]) -> None:
        add_unknown_migration(files)
        signed_anew(files, shop_with_files)

    archive = rewritten(write_backup(tmp_path / "elsewhere"), newer)
    with pytest.raises(BackupError, match="newer"):
        restore_backup(archive, replace=True)


def test_elsewhere_the_key_is_given_and_an_old_archive_is_taken_on_ones_word(
    shop_with_files: Path, tmp_path: Path
) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    key = (shop_with_files / "backup.key").rename(tmp_path / "kept-apart.key")
    with pytest.raises(BackupError, match="kept apart, --key"):
        restore_backup(archive, replace=True)
    other = tmp_path / "other.key"
    other.write_text("ab" * 32)
    with pytest.raises(BackupError, match="forged or of another shop"):
        restore_backup(archive, replace=True, key=other)
    restore_backup(archive, replace=True, key=key)
    assert (shop_with_files / "backup.key").read_text() == key.read_text()

    old = rewritten(archive, lambda files: files.pop("manifest.hmac"))
    call_command("restore", old, replace=True, unsigned=True)
    assert list(Customer.objects.values_list("name", flat=True)) == ["Wilma Tern"]


def test_a_backup_of_a_version_that_counted_sign_ins_otherwise_is_usable(
    shop_with_files: Path, tmp_path: Path
) -> None:
    def older(files: dict[str, bytes]) -> None:
        manifest = json.loads(files["manifest.json"])
        manifest["migrations"].append("axes.0001_initial")
        files["manifest.json"] = json.dumps(manifest).encode()
        signed_anew(files, shop_with_files)

    restore_backup(rewritten(write_backup(tmp_path / "elsewhere"), older), replace=True)


def test_a_running_server_is_noticed(shop_with_files: Path, tmp_path: Path) -> None:
    archive = write_backup(tmp_path / "elsewhere")
    before = everything(shop_with_files)
    server = connection.copy()
    try:
        with server.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM shop_customer")
            cursor.fetchone()
        with pytest.raises(BackupError, match="stop it"):
            restore_backup(archive, replace=True)
    finally:
        server.close()
    assert everything(shop_with_files) == before
    restore_backup(archive, replace=True)


@pytest.mark.skipif(connection.vendor != "postgresql", reason="SQLite is moved as a file")
def test_who_connects_while_a_restore_has_begun_loses_nothing(
    shop_with_files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the first look and the locks: the whole restore is given up."""
    archive = write_backup(tmp_path / "elsewhere")
    before = everything(shop_with_files)
    late = connection.copy()

    def connects() -> None:
        with late.cursor() as cursor:
            cursor.execute("SELECT 1")

    monkeypatch.setattr("shop.backups._require_stopped", connects)
    try:
        with pytest.raises(BackupError, match="Loombook is running"):
            restore_backup(archive, replace=True)
    finally:
        late.close()
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
    for name in ("unfinished-of-another-day", "unfinished-of-today"):
        (folder / name / "within").mkdir(parents=True)
    os.utime(folder / "unfinished-of-another-day", (0, 0))
    call_command("backup", to=folder, keep=2)
    (folder / "unfinished-of-today" / "within").rmdir()
    (folder / "unfinished-of-today").rmdir()
    kept = sorted(path.name for path in folder.iterdir())
    assert len(kept) == 2
    assert kept[0] == "loombook-20200103-000000.tar.gz"
    for day in (1, 2, 3):
        (folder / f"loombook-2099010{day}-000000.tar.gz").touch()
    call_command("backup", to=folder, keep=2)
    [made, latest] = sorted(path.name for path in folder.iterdir())
    assert made >= kept[1] and latest == "loombook-20990103-000000.tar.gz", (
        "made under a wrong clock"
    )


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
    events.save(Customer(name="Ada"), None)
    stood = ShopChain.objects.get().count
    ShopChain.objects.update(count=stood + 1)
    with pytest.raises(CommandError, match="shop's log are not as they were written"):
        call_command("backup", to=folder, keep=1, check_record=True)
    assert (folder / "loombook-20200101-000000.tar.gz").exists()
    ShopChain.objects.update(count=stood)
    call_command("backup", to=folder, keep=1, check_record=True)
    assert len(list(folder.iterdir())) == 1


def test_an_encrypted_archive_opens_for_its_identity_alone(
    shop_with_files: Path, tmp_path: Path, settings: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    own, other = tmp_path / "own.key", tmp_path / "other.key"
    call_command("backup_identity", other)
    with pytest.raises(CommandError, match="No identity was made"):
        call_command("backup_identity", other)
    capsys.readouterr()
    call_command("backup_identity", own)
    [line] = [one for one in capsys.readouterr().out.splitlines() if one.startswith("LOOMBOOK_")]
    settings.BACKUP_FOR = line.partition("=")[2]
    archive = write_backup(tmp_path / "elsewhere")
    assert archive.name.endswith(".tar.gz.age")
    assert [one.name for one in archive.parent.iterdir()] == [archive.name], "nothing left open"
    assert stat.S_IMODE(archive.stat().st_mode) == 0o600
    assert not tarfile.is_tarfile(archive)

    damaged = archive.with_name("damaged.tar.gz.age")
    content = bytearray(archive.read_bytes())
    content[-100] ^= 1
    damaged.write_bytes(content)
    no_key = tmp_path / "no.key"
    no_key.write_text("nothing of the kind")
    before = everything(shop_with_files)
    for given, identity, reason in (
        (archive, None, "--identity FILE"),
        (archive, other, "made for another identity"),
        (archive, no_key, "holds no identity"),
        (archive, tmp_path / "missing.key", "cannot be read"),
        (damaged, own, "damaged"),
    ):
        with pytest.raises(CommandError, match=reason):
            call_command("restore", given, replace=True, identity=identity)
    assert everything(shop_with_files) == before

    Customer.objects.update(name="Overwritten")
    call_command("restore", archive, replace=True, identity=own)
    assert list(Customer.objects.values_list("name", flat=True)) == ["Wilma Tern"]
    settings.BACKUP_FOR = "age1nobody"
    with pytest.raises(BackupError, match="no list of age recipients"):
        write_backup(tmp_path / "nowhere")
    assert list((tmp_path / "nowhere").iterdir()) == []


def test_an_archive_is_copied_elsewhere_and_kept_there_as_long(
    shop_with_files: Path, tmp_path: Path, settings: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    settings.BACKUP_COPY = str(there)
    with pytest.raises(CommandError, match=r"was made, but not copied.*Is its disk there"):
        call_command("backup", to=here)
    assert len(list(here.iterdir())) == 1
    there.mkdir()
    (there / "loombook-20200101-000000.tar.gz").touch()
    call_command("backup", to=here, keep=1)
    [made], [copied] = here.iterdir(), there.iterdir()
    assert (made.name, made.read_bytes()) == (copied.name, copied.read_bytes())

    def cut_off(source: Path, target: Path) -> None:
        target.write_bytes(source.read_bytes()[:-1])

    monkeypatch.setattr("shutil.copyfile", cut_off)
    with pytest.raises(CommandError, match="is not like it"):
        call_command("backup", to=here, keep=1)
    assert list(there.iterdir()) == [copied]


def test_an_archive_that_does_not_read_as_it_was_written_is_not_kept(
    shop_with_files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a disk that tells one thing and keeps another."""
    taken = backups._add

    def otherwise(tar: Any, manifest: Any, name: str, file: Any) -> None:
        if name.endswith(PHOTO):
            manifest.files[name] = backups._describe(file)
            manifest, file = None, io.BytesIO(b"bits that fell")
        taken(tar, manifest, name, file)

    monkeypatch.setattr(backups, "_add", otherwise)
    with pytest.raises(BackupError, match=f"holds another data/{PHOTO}"):
        write_backup(tmp_path / "elsewhere")
    assert list((tmp_path / "elsewhere").iterdir()) == []


@pytest.mark.parametrize("keep", [False, True])
def test_what_was_ended_since_a_backup_does_not_come_back_to_life(
    shop_with_files: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], keep: bool
) -> None:
    manager = make_staff(Role.MANAGER)
    make_shop(second_factor_days=7)
    browser, asked = Client(), RequestFactory().get("/")
    browser.force_login(manager)
    device = HttpResponse()
    second_factor.remember(device, manager, Shop.objects.current())
    asked.COOKIES = {name: one.value for name, one in device.cookies.items()}
    token, secret = make_token(manager)
    make_hook(manager)
    on_its_way = hooks.test(Hook.objects.get().pk)
    archive = write_backup(tmp_path / "elsewhere")
    stolen = browser.session.session_key
    sign_ins.end_all(manager)
    api_tokens.end(token.pk, manager)
    HookDelivery.objects.update(state=Told.TAKEN)

    call_command("restore", archive, replace=True, keep_sign_ins=keep)

    said, lively = capsys.readouterr().out, keep
    assert SignIn.objects.filter(pk=stolen).exists() is lively
    assert ApiToken.objects.in_use().exists() is lively
    assert second_factor.is_remembered(asked, manager, Shop.objects.current()) is lively
    on_its_way.refresh_from_db()
    assert on_its_way.state == (Told.WAITING if lively else Told.GIVEN_UP)
    codes = list(ShopEvent.objects.filter(actor=None).values_list("code", flat=True))
    assert codes == ([] if lively else [restored.RESTORED, api_tokens.ENDED])
    ended = "1 sign-ins, 1 tokens of the API, 1 pieces of news for other programs."
    assert (ended in said) is not lively
    assert "as on that day" in said
    if not lively:
        with pytest.raises(api_tokens.NoToken, match="was ended"):
            api_tokens.shown(asked, secret)
        facts = ShopEvent.objects.get(code=restored.RESTORED).after
        assert facts.items() >= {"sign_ins": 1, "tokens": 1, "deliveries": 1}.items()
        assert list(shop_chain.check()) == []
        browser.force_login(manager)
        page = browser.get(reverse("api_token_list")).content.decode()
        assert "as a backup was restored" in page


@pytest.mark.parametrize("way", ["carried", "as on that day", "nobody left", "unreadable"])
def test_what_was_taken_away_since_is_taken_away_again_and_nothing_is_given(
    shop_with_files: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    way: str,
) -> None:
    """Two equal names, two equal tablets and addresses: told by what each is. Rights, tablets and
    people that came to be since stay away."""
    owner, left = make_staff(Role.MANAGER), make_staff(Role.TECHNICIAN, name="Odo Marrick")
    namesake = make_staff(Role.TECHNICIAN, name="Odo Marrick")
    fewer = make_staff(Role.TECHNICIAN, Role.MANAGER)
    make_shop()
    made = {"registered_by": owner, "name": "Bay 1"}
    lost, kept = (Tablet.objects.create(**made, token_sha256=one * 64) for one in "12")
    ended, told = (make_hook(owner)[0] for _ in range(2))
    for person in (owner, fewer):
        CodeApp.objects.create(person=person, key_sealed=f"sealed of {person.pk}, then")
    archive = write_backup(tmp_path / "elsewhere")

    rows = StaffMember.objects.filter
    rows(pk=left.pk).update(is_active=False)
    rows(pk=fewer.pk).update(is_manager=False, is_front_desk=True)
    rows(pk=namesake.pk).update(is_manager=True, name="Another name")
    today = make_password("the one of today")
    rows(pk=owner.pk).update(password=today, is_active=way != "nobody left")
    CodeApp.objects.filter(person=owner).update(key_sealed="sealed today")
    CodeApp.objects.filter(person=fewer).delete()
    tablets.revoke(lost.pk, owner)
    hooks.end(ended.pk, owner)
    make_staff(Role.TECHNICIAN, name="Came later")
    Tablet.objects.create(**made, token_sha256="3" * 64)
    if way == "unreadable":
        monkeypatch.setattr(ended_since, "_person", Mock(side_effect=DatabaseError))

    call_command("restore", archive, replace=True, as_on_that_day=way == "as on that day")

    said = capsys.readouterr().out
    by_key = {one.pk: one for one in StaffMember.objects.all()}
    people, things = way == "carried", way in {"carried", "nobody left"}
    assert by_key[left.pk].is_active is not people
    assert by_key[fewer.pk].is_manager is not people and not by_key[fewer.pk].is_front_desk
    assert by_key[namesake.pk].is_active and by_key[namesake.pk].roles == {Role.TECHNICIAN}
    assert (by_key[owner.pk].password == today) is people and by_key[owner.pk].is_manager
    apps = dict(CodeApp.objects.values_list("person", "key_sealed"))
    assert apps.get(owner.pk) == ("sealed today" if people else f"sealed of {owner.pk}, then")
    assert (fewer.pk in apps) is not people
    assert {one.pk for one in Tablet.objects.in_use()} == {kept.pk, *(() if things else (lost.pk,))}
    in_use = set(Hook.objects.filter(ended_at=None).values_list("pk", flat=True))
    assert in_use == ({told.pk} if things else {told.pk, ended.pk})
    assert not StaffMember.objects.filter(name="Came later").exists()
    codes = ShopEvent.objects.filter(actor=None).values_list("code", flat=True)
    assert list(codes).count("staffmember.changed") == (3 if people else 0)
    assert list(shop_chain.check()) == []
    assert ("taken over from it" in said) is things
    assert ("no manager was left" in said) is (way == "nobody left")
    assert ("cannot be asked" in said) is (way == "unreadable")
    if people:
        listed = said.split("leaves it): ")[1].split(".\n")[0].split("; ")
        assert len(listed) == 5 and f"{left}: no longer active" in listed, listed
        browser = Client()
        browser.force_login(by_key[owner.pk])
        for page in ("hook_list", "tablet_list"):
            listed = browser.get(reverse(page)).content.decode()
            assert "as a backup was restored" in listed and "None" not in listed


class Killed(BaseException):
    """As if the process were gone: what lies on the disk then is looked at."""


@pytest.mark.parametrize("when", ["half", "placed", "ending"])
def test_a_restore_that_is_cut_off_goes_on_and_ends_what_was_ended(
    shop_with_files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    """While the backup is put in place, right behind it, and in the middle of the ending. Of two of
    one name, the one who left stays away; the book that is there by then would no longer say it."""
    make_staff(Role.MANAGER)
    left, stays = (make_staff(Role.TECHNICIAN, name="Odo Marrick") for _ in range(2))
    archive = write_backup(tmp_path / "elsewhere")
    StaffMember.objects.filter(pk=left.pk).update(is_active=False)
    note = shop_with_files / "unfinished-restore.json"
    noted = []

    def cut(*given: Any, **named: Any) -> None:
        if when == "half":
            put(*given, **named)
        noted.append(note.read_bytes())
        assert stat.S_IMODE(note.stat().st_mode) == 0o600, "it holds hashes of passwords"
        raise Killed

    put = backups._put_in_place
    where = {
        "half": (backups, "_put_in_place"),
        "placed": (unfinished_restore, "finish"),
        "ending": (ended_since, "carry"),
    }
    with monkeypatch.context() as patch, pytest.raises(Killed):
        patch.setattr(*where[when], cut)
        call_command("restore", archive, replace=True)
    note.write_bytes(noted[-1])

    assert StaffMember.objects.get(pk=left.pk).is_active, "not ended yet"
    assert not ShopEvent.objects.filter(code=restored.RESTORED).exists(), "all of it or nothing"
    again = "once more" if when == "half" else "goes on with it"
    answer = Client().get("/readyz")
    assert answer.status_code == 503 and again in answer.content.decode()
    for command in (("backup",), ("move_database", "sqlite")):
        with pytest.raises(CommandError, match=again):
            call_command(*command)
    if when == "half":
        with pytest.raises(CommandError, match=again):
            call_command("migrate", verbosity=0)
        with pytest.raises(CommandError, match="cannot be read"):
            call_command("restore", tmp_path / "none", replace=True)
        assert note.exists(), "refused, and as before"
        call_command("restore", archive, replace=True)
    else:
        call_command("migrate", verbosity=0)

    by_key = {one.pk: one.is_active for one in StaffMember.objects.all()}
    assert not by_key[left.pk] and by_key[stays.pk]
    assert ShopEvent.objects.filter(code=restored.RESTORED).count() == 1
    assert not note.exists() and "restore" not in Client().get("/readyz").content.decode()
    call_command("migrate", verbosity=0)
    assert ShopEvent.objects.filter(code=restored.RESTORED).count() == 1
    assert list(shop_chain.check()) == []
