"""Backup and restore: the whole shop in one archive.

An archive (.tar.gz) holds the database (`database.sqlite3`, or `database.dump` made by pg_dump),
every file of the data folder under `data/` (uploads and keys), and last `manifest.json`, which
names the version and migrations that made it and the size and SHA-256 of every file, and
`manifest.hmac`: HMAC-SHA-256 of the manifest (FIPS 198-1, 2008) under the key `backup.key` of the
data folder, which is in no archive. So whoever gets hold of an archive can neither change it nor
make one that a shop with the key would take. It does not say that an archive is the newest, and
whoever has the key can make archives. With LOOMBOOK_BACKUP_FOR the whole is encrypted
(shop/sealed_archives.py). An archive is read through before it counts as made.
"""

import hashlib
import hmac
import io
import json
import os
import secrets
import shutil
import sqlite3
import subprocess
import tarfile
import tempfile
import time
import tomllib
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, nullcontext, suppress
from dataclasses import asdict, dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any, Final, Protocol, cast

from django.apps import apps
from django.conf import settings
from django.core.files import File
from django.core.files.storage import storages
from django.db import DatabaseError, connection, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.utils import timezone

from shop import sealed_archives
from shop.on_disk import sync, write_new
from shop.project.databases import TLS
from shop.sealed_archives import SealError
from shop.unreachable import refusal

FORMAT = 1
UPLOADS = "data/media"
MANIFEST = "manifest.json"
SIGNATURE = "manifest.hmac"
KEY = "backup.key"
DATABASE_FILES = {"sqlite": "database.sqlite3", "postgresql": "database.dump"}
ARCHIVES = "loombook-*.tar.gz*"
SET_ASIDE = "replaced-"
WORKING = "unfinished-"
DAY_S = 86_400
PLAIN = ("--no-owner", "--no-privileges")
RETIRED = frozenset({"axes"})
"""Applications whose tables an older Loombook had: a migration of ours takes them away."""


class Placing(Protocol):
    """Around the putting in place of a backup: whoever keeps note of how far it came."""

    def __call__(self, made_at: str, *, occupied: bool) -> AbstractContextManager[None]: ...


class BackupError(Exception):
    """A backup or restore that cannot go on; the message says why and what to do."""


@dataclass
class Manifest:
    """What an archive says of itself."""

    version: str
    made_at: str
    database: str
    migrations: list[str]
    format: int = FORMAT
    files: dict[str, dict[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True)
class Restored:
    """What a restore did: the archive's manifest, and where the replaced data is kept."""

    manifest: Manifest
    set_aside: Path | None


def default_folder() -> Path:
    """Where backups go when no folder is named."""
    return Path(settings.DATA_DIR) / "backups"


def newest_archive(folder: Path | None = None) -> Path | None:
    """The archive made last in a folder, or none. One of tomorrow was made under a wrong clock, and
    says nothing of the last night."""
    made = {one: one.stat().st_mtime for one in (folder or default_folder()).glob(ARCHIVES)}
    past = {one: at for one, at in made.items() if at <= time.time()}
    return max(past, key=lambda one: past[one], default=None)


LATE_DAYS: Final = 3
"""One is made each night; a machine may be off for a weekend."""


def age_s() -> float | None:
    """How old the newest archive is [s]; None where none was ever made here: then it is elsewhere
    that this book is kept, or nowhere yet."""
    try:
        newest = newest_archive()
        return time.time() - newest.stat().st_mtime if newest else None
    except OSError:  # An old one is being taken away: there is a newer one.
        return None


def days_without() -> int | None:
    """Whole days since the newest archive, once they are too many."""
    days = int((age_s() or 0) // DAY_S)
    return days if days >= LATE_DAYS else None


def write_backup(folder: Path) -> Path:
    """Write one archive into `folder` and return its path; the shop may go on working."""
    applied = MigrationRecorder(connection).applied_migrations()
    if not applied:
        raise BackupError("There is nothing to back up yet: start Loombook once first.")
    manifest = Manifest(
        version=_version(),
        made_at=timezone.now().isoformat(timespec="seconds"),
        database=connection.vendor,
        migrations=sorted(".".join(key) for key in applied),
    )
    if _inside_data(folder) and folder.resolve() != default_folder().resolve():
        raise BackupError(
            f"Choose a folder outside {settings.DATA_DIR}, which is backed up itself."
        )
    folder.mkdir(parents=True, exist_ok=True)
    _clear_out(folder)
    store = _store()
    archive = folder / f"loombook-{timezone.now():%Y%m%d-%H%M%S}.tar.gz"
    with tempfile.TemporaryDirectory(prefix=WORKING, dir=folder) as working:
        snapshot = Path(working) / DATABASE_FILES[connection.vendor]
        unfinished = Path(working) / archive.name
        _snapshot_database(snapshot)
        unfinished.touch(mode=0o600)
        with tarfile.open(unfinished, "w:gz", compresslevel=6) as tar:
            with snapshot.open("rb") as file:
                _add(tar, manifest, snapshot.name, file)
            for path, name in _data_files():
                # Read whole, so that size and checksum hold for a file that is still growing.
                _add(tar, manifest, f"data/{name}", io.BytesIO(path.read_bytes()))
            if store and store.backed_up:
                _add_stored(tar, manifest, store)
            said = json.dumps(asdict(manifest), indent=1).encode()
            _add(tar, None, MANIFEST, io.BytesIO(said))
            _add(tar, None, SIGNATURE, io.BytesIO(signature_of(said, _own_key())))
        _require_sound(unfinished, manifest)
        if sealed_archives.recipients():
            try:
                unfinished = sealed_archives.close(unfinished)
            except SealError as error:
                raise BackupError(str(error)) from error
            archive = archive.with_name(unfinished.name)
        sync(unfinished)
        unfinished.replace(archive)
        sync(folder)
    return archive


def _store() -> Any:
    """The store that uploads are in; None where they are files of the data folder."""
    kept: Any = storages["default"]
    return kept if hasattr(kept, "backed_up") else None


def _add_stored(tar: tarfile.TarFile, manifest: Manifest, store: Any) -> None:
    """Every upload, under the name it has on a disk: it can be restored to either."""
    try:
        for name in store.names():
            with suppress(FileNotFoundError), store.open(name) as file:
                _add(tar, manifest, f"{UPLOADS}/{name}", io.BytesIO(file.read()))
    except OSError as error:
        raise BackupError(f"Not every upload could be read: {error}") from error


def _require_sound(archive: Path, manifest: Manifest) -> None:
    """Read a finished archive again and compare each file with the manifest."""
    found = {}
    try:
        with tarfile.open(archive, "r:gz") as tar:
            for member in tar:
                file = cast(io.BufferedReader, tar.extractfile(member))
                found[member.name] = hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, EOFError, tarfile.TarError) as error:
        raise BackupError(f"The archive just made cannot be read again: {error}") from error
    for name, described in manifest.files.items():
        if found.get(name) != described["sha256"]:
            raise BackupError(f"The archive just made holds another {name} than was put into it.")


def key_path() -> Path:
    """Where the key is kept that archives are signed with."""
    return Path(settings.DATA_DIR) / KEY


def _own_key() -> bytes:
    """The shop's key, made when there is none yet."""
    path = key_path()
    with suppress(FileExistsError):
        write_new(path, secrets.token_hex(32) + "\n")
    return _read_key(path)


def _read_key(path: Path) -> bytes:
    try:
        key = bytes.fromhex(path.read_text().strip())
    except (OSError, ValueError) as error:
        raise BackupError(f"The key of the backups cannot be read from {path}: {error}") from error
    if len(key) != 32:
        raise BackupError(f"{path} is no key of backups: that is 64 hexadecimal digits.")
    return key


def signature_of(manifest: bytes, key: bytes) -> bytes:
    """The keyed hash of a manifest, in hexadecimal digits."""
    return hmac.new(key, manifest, hashlib.sha256).hexdigest().encode()


def _require_signed(archive: Path, manifest: bytes, signature: bytes, key: Path | None) -> None:
    """Refuse an archive that was not made with the key: forged, of another shop, or an old one."""
    path = key or key_path()
    mend = "If you know where it comes from, restore again with --unsigned (UNSIGNED=1)."
    if key is None and not path.exists():
        raise BackupError(
            f"Whether {archive} is genuine cannot be told without the key it was signed with: give "
            f"the copy of {KEY} that was kept apart, --key FILE (KEY=FILE). {mend}"
        )
    if not signature:
        raise BackupError(
            f"{archive} is not signed: an older Loombook made it, or somebody else. {mend}"
        )
    if not hmac.compare_digest(signature, signature_of(manifest, _read_key(path))):
        raise BackupError(
            f"{archive} was not made with the key {path}: it is forged or of another shop. {mend}"
        )


def restore_backup(
    archive: Path,
    *,
    replace: bool,
    key: Path | None = None,
    unsigned: bool = False,
    identity: Path | None = None,
    placing: Placing = lambda made_at, *, occupied: nullcontext(),
) -> Restored:
    """Verify `archive`, then put its database and files in place.

    It must be signed with the key in the file `key`, or with the shop's own, unless `unsigned`. An
    encrypted one is opened with the file `identity`.
    Existing data is replaced only with `replace`, and is then kept in a folder of its own beside
    the new. Nothing has changed when BackupError is raised. Within `placing`, of the moment it was
    made at and whether there was data, all of it is put in place.
    """
    data = Path(settings.DATA_DIR)
    data.mkdir(parents=True, exist_ok=True)
    _clear_out(data)
    occupied = _holds_data()
    with (
        tempfile.TemporaryDirectory(prefix=WORKING, dir=data) as working,
        tempfile.TemporaryDirectory(prefix=WORKING, dir=data) as opened,
    ):
        plain = _opened(archive, identity, Path(opened))
        manifest, said, signature = _unpack(archive, plain, Path(working))
        if not unsigned:
            _require_signed(archive, said, signature, key)
        _require_usable(manifest)
        if occupied and not replace:
            raise BackupError(
                "There is data here already. To replace it, and keep the old beside the new, "
                "restore again with --replace (make restore FILE=... REPLACE=1)."
            )
        if occupied and connection.vendor == "postgresql":
            _require_stopped()
        if key is not None and not unsigned and not key_path().exists():
            shutil.copyfile(key, key_path())
            key_path().chmod(0o600)
        aside = data / f"{SET_ASIDE}{timezone.now():%Y%m%d-%H%M%S-%f}"
        with placing(manifest.made_at, occupied=occupied):
            _put_in_place(Path(working), aside)
    if not occupied:
        shutil.rmtree(aside)
    os.sync()
    return Restored(manifest, aside if occupied else None)


def _clear_out(folder: Path) -> None:
    """Take away what a backup or restore of another day left that was cut off."""
    for left in folder.glob(f"{WORKING}*"):
        if left.is_dir() and time.time() - left.stat().st_mtime > DAY_S:
            shutil.rmtree(left)


def _version() -> str:
    with (Path(settings.BASE_DIR) / "pyproject.toml").open("rb") as file:
        version: str = tomllib.load(file)["project"]["version"]
    return version


def _sqlite_path() -> Path:
    return Path(connection.settings_dict["NAME"])


def _inside_data(folder: Path) -> bool:
    return folder.resolve().is_relative_to(Path(settings.DATA_DIR).resolve())


def _own_entries() -> list[Path]:
    """The top of the data folder, less the database, what can be made again, and old copies."""
    left_out = {Path(settings.STATIC_ROOT).resolve(), default_folder().resolve()}
    left_out.add(key_path().resolve())
    if _store():
        left_out.add(Path(settings.MEDIA_ROOT).resolve())
    if connection.vendor == "sqlite":
        left_out |= {Path(f"{_sqlite_path().resolve()}{end}") for end in ("", "-wal", "-shm")}
    return [
        path
        for path in sorted(Path(settings.DATA_DIR).iterdir())
        if path.resolve() not in left_out and not path.name.startswith((SET_ASIDE, WORKING))
    ]


def _data_files() -> Iterator[tuple[Path, str]]:
    """Every file of the data folder to keep, with its name relative to that folder."""
    for entry in _own_entries():
        if entry.is_file():
            yield entry, entry.name
        for folder, _, names in os.walk(entry, followlinks=True):
            for path in (Path(folder, name) for name in sorted(names)):
                yield path, path.relative_to(settings.DATA_DIR).as_posix()


def _describe(file: io.BufferedIOBase) -> dict[str, Any]:
    """Size and checksum; the file is left at its start."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    file.seek(0)
    return {"bytes": size, "sha256": sha256}


def _add(
    tar: tarfile.TarFile, manifest: Manifest | None, name: str, file: io.BufferedIOBase
) -> None:
    """Add one file to the archive and, but for the manifest itself, to the manifest."""
    described = _describe(file)
    if manifest:
        manifest.files[name] = described
    member = tarfile.TarInfo(name)
    member.mode, member.mtime, member.size = 0o600, int(time.time()), described["bytes"]
    tar.addfile(member, file)


def _holds_data() -> bool:
    """Whether there is a row of the shop's own, an upload, or a database that cannot be read."""
    media = Path(settings.MEDIA_ROOT)
    store = _store()
    if store and next(store.names(), None):
        return True
    if not store and any(path.is_file() for path in media.rglob("*")):
        return True
    try:
        tables = set(connection.introspection.table_names())
        return any(
            model._default_manager.exists()
            for model in apps.get_models()
            if model._meta.db_table in tables and not model.__module__.startswith("django.")
        )
    except DatabaseError:
        return True


def _snapshot_database(target: Path) -> None:
    """A consistent copy of the database as it stands, made while others read and write."""
    if connection.vendor == "sqlite":
        with (
            closing(sqlite3.connect(_sqlite_path())) as live,
            closing(sqlite3.connect(target)) as to,
        ):
            live.backup(to)
            to.execute("PRAGMA journal_mode=DELETE")
        _require_sound_sqlite(target)
    else:
        _postgresql("pg_dump", "--format=custom", *PLAIN, f"--file={target}")


def _require_sound_sqlite(path: Path) -> None:
    try:
        with closing(sqlite3.connect(path)) as database:
            [answer] = database.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        answer = str(error)
    if answer != "ok":
        raise BackupError(f"The database is damaged: {answer}. Restore the newest sound backup.")


def _opened(archive: Path, identity: Path | None, folder: Path) -> Path:
    """The archive itself, or what an encrypted one holds, in `folder`."""
    try:
        if not sealed_archives.is_closed(archive):
            return archive
        plain = folder / "opened.tar.gz"
        sealed_archives.open_with(archive, identity, plain)
    except OSError as error:
        raise BackupError(f"{archive} cannot be read as a backup: {error}") from error
    except SealError as error:
        raise BackupError(str(error)) from error
    return plain


def _unpack(archive: Path, plain: Path, folder: Path) -> tuple[Manifest, bytes, bytes]:
    """Unpack into `folder` what `archive` holds, trusting nothing; gives the manifest that every
    file matched, as it was written, and its signature, empty when there is none."""
    try:
        with tarfile.open(plain, "r:gz") as tar:
            for member in tar:
                parts = PurePosixPath(member.name)
                if not member.isfile() or parts.is_absolute() or ".." in parts.parts:
                    raise BackupError(f"{archive}: {member.name} is not a plain file of a backup.")
                source = tar.extractfile(member)
                assert source is not None
                target = folder / parts
                target.parent.mkdir(parents=True, exist_ok=True)
                with source, target.open("xb") as to:
                    shutil.copyfileobj(source, to)
                target.chmod(0o600)
        said = (folder / MANIFEST).read_bytes()
        manifest = Manifest(**json.loads(said))
        signed = folder / SIGNATURE
        signature = signed.read_bytes().strip() if signed.is_file() else b""
        signed.unlink(missing_ok=True)
    except (OSError, EOFError, tarfile.TarError, ValueError, TypeError) as error:
        raise BackupError(f"{archive} cannot be read as a backup: {error}") from error
    (folder / MANIFEST).unlink()
    unpacked = {}
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb") as file:
                unpacked[path.relative_to(folder).as_posix()] = _describe(file)
    for name in sorted(manifest.files.keys() | unpacked.keys()):
        if manifest.files.get(name) != unpacked.get(name):
            raise BackupError(f"{archive} is damaged: {name} is not what the manifest says.")
    return manifest, said, signature


def _require_usable(manifest: Manifest) -> None:
    known = {".".join(key) for key in MigrationLoader(None).disk_migrations or {}}
    made_with = {one for one in manifest.migrations if one.split(".")[0] not in RETIRED}
    if manifest.format > FORMAT or not made_with <= known:
        raise BackupError(
            f"This backup was made by Loombook {manifest.version}, which is newer than this "
            f"{_version()}: upgrade Loombook first."
        )
    if manifest.database != connection.vendor:
        raise BackupError(
            f"This backup holds a {manifest.database} database and Loombook is set to use "
            f"{connection.vendor}: set or unset DATABASE_URL to match."
        )


def _put_in_place(unpacked: Path, aside: Path) -> None:
    """Move the present data to `aside` and the unpacked into its place; undo all on a failure."""
    data = Path(settings.DATA_DIR)
    moves = [(entry, aside / entry.name) for entry in _own_entries()]
    restored = unpacked / "data"
    if restored.is_dir():
        moves += [
            (entry, data / entry.name)
            for entry in restored.iterdir()
            if not (_store() and entry == unpacked / UPLOADS)
        ]
    snapshot = unpacked / DATABASE_FILES[connection.vendor]
    if connection.vendor == "sqlite":
        _require_sound_sqlite(snapshot)
        live = _sqlite_path()
        _close_sqlite(live)
        if live.exists():
            moves.append((live, aside / live.name))
        moves.append((snapshot, live))
    aside.mkdir()
    done: list[tuple[Path, Path]] = []
    replaced: list[str] = []
    try:
        if store := _store():
            try:
                _into_store(store, unpacked / UPLOADS, aside / "media", replaced)
            except OSError as error:
                raise BackupError(f"An upload could not be put back: {error}") from error
        for source, target in moves:
            shutil.move(source, target)
            done.append((source, target))
        if connection.vendor == "postgresql":
            _replace_postgresql(snapshot, aside)
    except BaseException:
        for source, target in reversed(done):
            shutil.move(target, source)
        for name in replaced:
            with (aside / "media" / name).open("rb") as file:
                store.put(name, File(file), over=True)
        shutil.rmtree(aside)
        raise


def _into_store(store: Any, uploads: Path, aside: Path, replaced: list[str]) -> None:
    """Put each upload of an archive into the store. One that was otherwise there is first copied
    `aside` and named in `replaced`; one that the archive has not stays, in nobody's way."""
    for path in sorted(uploads.rglob("*")):
        if not path.is_file():
            continue
        name = path.relative_to(uploads).as_posix()
        with path.open("rb") as wanted:
            if store.put(name, File(wanted)):
                continue
            with store.open(name) as file:
                there = file.read()
            if there != path.read_bytes():
                (aside / name).parent.mkdir(parents=True, exist_ok=True)
                (aside / name).write_bytes(there)
                replaced.append(name)
                store.put(name, File(wanted), over=True)


def require_alone() -> None:
    """Refuse while anything else uses the database, of either kind."""
    if connection.vendor == "postgresql":
        _require_stopped()
    else:
        _close_sqlite(_sqlite_path())


def _close_sqlite(path: Path) -> None:
    """Fold the write-ahead log into the file; refused while anyone else has the database open."""
    connections.close_all()
    try:
        with closing(sqlite3.connect(path, timeout=1)) as database:
            database.execute("PRAGMA journal_mode=DELETE")
    except sqlite3.OperationalError as error:
        raise BackupError("Loombook is running: stop it, then restore again.") from error
    except sqlite3.DatabaseError:
        return  # What cannot be read has nothing to fold in; it is moved as it lies.


OTHERS_CONNECTED = """
SELECT count(*) FROM pg_stat_activity
WHERE datname = current_database() AND usename IS NOT NULL AND pid <> pg_backend_pid()
"""
"""How many others use the database; PostgreSQL's own workers have no user."""

PATIENCE_S = 3
"""A session that has just been closed may be seen for a moment longer."""


def _require_stopped() -> None:
    """Refuse while anybody else is connected: what they save meanwhile would be lost."""
    until = time.monotonic() + PATIENCE_S
    while True:
        with connection.cursor() as cursor:
            cursor.execute(OTHERS_CONNECTED)
            if not cursor.fetchone()[0]:
                return
        if time.monotonic() > until:
            raise BackupError("Loombook is running: stop it, then restore again.")
        time.sleep(0.1)


def _replace_postgresql(dump: Path, aside: Path) -> None:
    """Replace every table by the dump's in one transaction, after dumping what is there."""
    if connection.introspection.table_names():
        _snapshot_database(aside / dump.name)
    connections.close_all()
    script = dump.with_suffix(".sql")
    script.write_text(DROP_EVERYTHING)
    restoring = dump.with_suffix(".restore.sql")
    _postgresql("pg_restore", *PLAIN, "--no-comments", f"--file={restoring}", str(dump))
    _postgresql(
        "psql",
        "--no-psqlrc",
        "--quiet",
        "--set=ON_ERROR_STOP=1",
        "--output=/dev/null",
        "--single-transaction",
        f"--file={script}",
        f"--file={restoring}",
    )


DROP_EVERYTHING = f"""
DO $$ DECLARE found record; BEGIN
    FOR found IN SELECT tablename FROM pg_tables WHERE schemaname = current_schema() LOOP
        EXECUTE format('LOCK TABLE %I', found.tablename);
    END LOOP;
    FOR tries IN 1..{10 * PATIENCE_S} LOOP
        PERFORM pg_stat_clear_snapshot();
        EXIT WHEN ({OTHERS_CONNECTED}) = 0;
        IF tries = {10 * PATIENCE_S} THEN
            RAISE EXCEPTION 'Loombook is running: stop it, then restore again.';
        END IF;
        PERFORM pg_sleep(0.1);
    END LOOP;
    FOR found IN SELECT tablename FROM pg_tables WHERE schemaname = current_schema() LOOP
        EXECUTE format('DROP TABLE IF EXISTS %I CASCADE', found.tablename);
    END LOOP;
    FOR found IN
        SELECT p.oid::regprocedure AS signature FROM pg_proc p
        WHERE p.pronamespace = current_schema()::regnamespace
        AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e')
    LOOP
        EXECUTE format('DROP FUNCTION IF EXISTS %s CASCADE', found.signature);
    END LOOP;
END $$
"""


def _postgresql(tool: str, *arguments: str) -> None:
    """Run one of PostgreSQL's own tools on the configured database."""
    given = connection.settings_dict
    where = {
        "PGDATABASE": given["NAME"],
        "PGHOST": given["HOST"],
        "PGPORT": str(given["PORT"]),
        "PGUSER": given["USER"],
        "PGPASSWORD": given["PASSWORD"],
        **{f"PG{name.upper()}": given["OPTIONS"].get(name, "") for name in TLS},
    }
    # In English, whatever the machine speaks: what it says is read (shop/unreachable.py).
    environment = os.environ | {key: value for key, value in where.items() if value}
    environment["LC_ALL"] = "C"
    try:
        done = subprocess.run([tool, *arguments], env=environment, capture_output=True, text=True)
    except FileNotFoundError as error:
        raise BackupError(
            f"{tool} is not installed: sudo apt-get install postgresql-client"
        ) from error
    if done.returncode:
        said = done.stderr.strip()
        raise BackupError(f"{tool} failed: {refusal(said) or said}")
