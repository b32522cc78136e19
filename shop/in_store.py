"""Uploads in a store that speaks S3, which several machines share (LOOMBOOK_FILES).

What is confirmed is in the store: an upload is one request, answered when the store has all of it,
and never written over what is there. A store that does not answer is a disk that does not: whoever
waits is told 503, and may send the same again. Loaded only where the setting asks for it.
"""

import errno
from collections.abc import Callable, Hashable, Iterator
from functools import wraps
from typing import Any, Final

from botocore.config import Config
from botocore.exceptions import BotoCoreError, ClientError
from django.core.files.base import File
from storages.backends.s3 import S3Storage

TAKEN: Final = 412
"""Of a request that may only make something new (RFC 9110, 2022, section 15.5.13)."""

PATIENCE: Final = Config(
    connect_timeout=2,
    read_timeout=5,
    retries={"total_max_attempts": 2, "mode": "standard"},
    s3={"addressing_style": "auto"},
)
"""[s] Whoever sends a file waits so long, and nobody else: it is stored before the job's row is
held."""


class StoreAway(OSError):
    """The store does not answer, or not as it should; what was asked may succeed later."""

    def __init__(self, error: Exception) -> None:
        super().__init__(errno.EIO, f"The store of the files does not answer as it should: {error}")


def _status(error: ClientError) -> int:
    return int(error.response.get("ResponseMetadata", {}).get("HTTPStatusCode", 0))


def _told(ask: Callable[..., Any]) -> Callable[..., Any]:
    """What a library says of the store, in the words in which a disk would say it."""

    @wraps(ask)
    def asked(*given: Any, **named: Any) -> Any:
        try:
            return ask(*given, **named)
        except ClientError as error:
            if _status(error) == 404 and error.response["Error"].get("Code") != "NoSuchBucket":
                raise FileNotFoundError(errno.ENOENT, "No such file in the store") from error
            raise StoreAway(error) from error
        except BotoCoreError as error:
            raise StoreAway(error) from error

    return asked


class StoredFiles(S3Storage):
    """Files in a bucket, private, read and written by this program alone."""

    backed_up: bool

    def __init__(self, **given: Any) -> None:
        kept = {
            "file_overwrite": False,
            "default_acl": None,
            "client_config": PATIENCE,
            "max_memory_size": 8 * 1024 * 1024,
        }
        super().__init__(**{**kept, **given})

    def get_default_settings(self) -> dict[str, Any]:
        return {**super().get_default_settings(), "backed_up": True}

    @property
    def bucket(self) -> Any:
        """Of this thread: what the library would keep belongs to the thread that came first."""
        return self.connection.Bucket(self.bucket_name)

    @_told
    def _open(self, name: str, mode: str = "rb") -> "File[Any]":
        opened: File[Any] = super()._open(name, mode)
        _ = opened.file  # Read whole before anybody is answered with the first of it.
        return opened

    def _save(self, name: str, content: "File[Any]") -> str:
        while not self.put(name, content):
            name = self.get_available_name(name)
        return name

    @_told
    def put(self, name: str, content: "File[Any]", *, over: bool = False) -> bool:
        """Keep a file whole; False, and nothing changed, where one of that name is already, unless
        it may be written `over`."""
        content.seek(0)
        target = self.bucket.Object(self._normalize_name(name))
        asked = {} if over else {"IfNoneMatch": "*"}
        try:
            target.put(Body=content, **self._get_write_parameters(name, content), **asked)
        except ClientError as error:
            if _status(error) == TAKEN:
                return False
            raise
        return True

    delete = _told(S3Storage.delete)
    exists = _told(S3Storage.exists)
    size = _told(S3Storage.size)
    get_modified_time = _told(S3Storage.get_modified_time)

    @_told
    def standing(self, name: str) -> Hashable:
        """What differs once a file was changed. Raises FileNotFoundError."""
        told = self.bucket.Object(self._normalize_name(name))
        return told.e_tag, told.last_modified, told.content_length

    @_told
    def names(self) -> Iterator[str]:
        """Every file there is, in the order of their names."""
        front = f"{self.location}/" if self.location else ""
        return iter([one.key[len(front) :] for one in self.bucket.objects.filter(Prefix=front)])
