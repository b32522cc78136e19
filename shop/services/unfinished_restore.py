"""A restore is whole, or goes on: what is to be ended after it is on the disk before it begins.

The file says how far it came. While the backup was being put in place, the data may be half of
each: nothing starts, and the command is to be repeated; it then ends what the book said that was
there before the first of them. With the backup in place only the ending is left, which the next
`migrate` does, and so the next start. Ended twice is ended: being cut off behind the last row does
no harm.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.core.management.base import CommandError
from django.db import transaction

from shop import backups
from shop.on_disk import sync, write_new
from shop.services import ended_since
from shop.services.restored import end_what_came_back

ENDED: Final = {
    "sign_ins": "sign-ins",
    "tokens": "tokens of the API",
    "deliveries": "pieces of news for other programs",
}
HALF: Final = (
    "A restore was cut off while it put the backup in place, and what is here is half of it. Give "
    "it once more: deploy/manage.sh restore ARCHIVE --replace"
)


@dataclass(frozen=True)
class Unfinished:
    """What is still to be done. `stood` is what the replaced book said, None to take nothing over
    from it; `unasked` that it could not be read."""

    placed: bool
    ends: bool
    stood: dict[str, Any] | None
    unasked: bool
    made_at: str = ""


def _path() -> Path:
    return Path(settings.DATA_DIR) / f"{backups.WORKING}restore.json"


def read() -> Unfinished | None:
    """What an earlier restore left undone, if one did."""
    try:
        return Unfinished(**json.loads(_path().read_text()))
    except FileNotFoundError:
        return None


def _write(unfinished: Unfinished) -> None:
    fresh = _path().with_suffix(".new")
    fresh.unlink(missing_ok=True)
    write_new(fresh, json.dumps(vars(unfinished)))
    fresh.replace(_path())
    sync(_path().parent)


def _remove() -> None:
    _path().unlink(missing_ok=True)
    sync(_path().parent)


def begin(*, ends: bool, carries: bool) -> Unfinished:
    """What is to be ended after a restore that begins now. Of the book itself it asks nothing where
    an earlier restore was cut off: what is here now may be that backup."""
    earlier = read()
    if not carries:
        return Unfinished(placed=False, ends=ends, stood=None, unasked=False)
    if earlier:
        return Unfinished(False, ends, earlier.stood, earlier.unasked)
    stood = ended_since.look()
    written = None if stood is None else ended_since.written(stood)
    return Unfinished(placed=False, ends=ends, stood=written, unasked=stood is None)


@contextmanager
def placing(begun: Unfinished, made_at: str, *, occupied: bool) -> Iterator[None]:
    """On the disk while the backup of a moment is put in place, and then that it is. Where that was
    refused and undone, all is as it was."""
    earlier = read()
    nothing_there = not occupied and earlier is None
    stood = None if nothing_there else begun.stood
    unasked = begun.unasked and not nothing_there
    _write(Unfinished(False, begun.ends, stood, unasked, made_at))
    try:
        yield
    except BaseException:
        if earlier:
            _write(earlier)
        else:
            _remove()
        raise
    _write(Unfinished(True, begun.ends, stood, unasked, made_at))


def require_placed() -> None:
    """Refuse where what is here is half of a backup."""
    if (unfinished := read()) and not unfinished.placed:
        raise CommandError(HALF)


def require_finished() -> None:
    """Refuse to copy a book of which a restore is not whole."""
    if said := why_not():
        raise CommandError(said)


def why_not() -> str:
    """Why nobody is to be served, or nothing."""
    if (unfinished := read()) is None:
        return ""
    if not unfinished.placed:
        return HALF
    return (
        "A restore was cut off before it ended again what had been ended since the backup: restart "
        "Loombook, which goes on with it (systemctl restart loombook)."
    )


def finish() -> list[str]:
    """End what is still to be ended, all or nothing; gives the sentences that tell of it.

    Raises DatabaseError where the tables are not those of this version.
    """
    if (unfinished := read()) is None:
        return []
    said = []
    with transaction.atomic():
        if unfinished.ends:
            ended = end_what_came_back(unfinished.made_at)
            told = ", ".join(f"{ended.get(name, 0)} {words}" for name, words in ENDED.items())
            said.append(f"Ended, as they may have been ended since it was made: {told}.")
        if unfinished.stood is not None:
            carried = ended_since.carry(ended_since.read(unfinished.stood))
            said.append(
                "Ended or changed since in the book it replaced, and so taken over from it "
                f"(--as-on-that-day leaves it): {'; '.join(carried) or 'nothing'}."
            )
        elif unfinished.unasked:
            said.append("The book it replaced cannot be asked what was ended in it since.")
    _remove()
    return said
