"""Where uploads are kept: on this machine's disk, or in a store that several machines share."""

from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

ON_DISK: Final = {"BACKEND": "shop.on_disk.SyncedStorage"}
_KNOWN: Final = {"endpoint", "region", "backup"}


def store_of(url: str, key_id: str = "", secret: str = "") -> dict[str, Any]:
    """The storage that LOOMBOOK_FILES names: s3://BUCKET/FOLDER?endpoint=https://HOST&region=NAME
    for any store that speaks S3, with `backup=no` where the store keeps copies itself; the disk
    where it is empty. Ends the program with a sentence when it is neither. The keys of the store
    come from AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY (`key_id`, `secret`) and are in no
    address."""
    if not url:
        return ON_DISK
    parts = urlsplit(url)
    given = {name: values[0] for name, values in parse_qs(parts.query).items()}
    endpoint = urlsplit(given.get("endpoint", ""))
    if (
        parts.scheme != "s3"
        or not parts.netloc
        or "@" in parts.netloc
        or given.keys() - _KNOWN
        or given.get("backup", "no") != "no"
        or (endpoint.geturl() and not (endpoint.scheme in {"http", "https"} and endpoint.netloc))
    ):
        raise SystemExit(
            "LOOMBOOK_FILES is not an address of a store: use "
            "s3://BUCKET/FOLDER?endpoint=https://HOST&region=NAME, and give its keys as "
            "AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY."
        )
    return {
        "BACKEND": "shop.in_store.StoredFiles",
        "OPTIONS": {
            "bucket_name": parts.netloc,
            "location": parts.path.strip("/"),
            "endpoint_url": given.get("endpoint") or None,
            "region_name": given.get("region") or "us-east-1",
            **({"access_key": key_id, "secret_key": secret} if key_id and secret else {}),
            "backed_up": "backup" not in given,
        },
    }
