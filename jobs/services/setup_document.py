"""A saved setup's document: what the next car of the model can take over, as plain types.

It holds no customer and no serial number. `upgrade` brings an older version up to this one, so
that a reader only ever sees the newest.
"""

from collections.abc import Mapping
from typing import Any, Final

from jobs.models import InstallSheet
from wiring.plan import Plan, PlanError, from_builtins

SETUP_VERSION: Final = 1
PRODUCT_FACTS: Final = ("product_id", "product", "maker", "name", "part_number", "kind", "quantity")


class SetupError(ValueError):
    """The document is no setup this version can read."""


def from_sheet(sheet: InstallSheet) -> dict[str, Any]:
    """The setup of a signed sheet, from its frozen record."""
    document = sheet.document
    vehicle = document["vehicle"]
    return {
        "setup_version": SETUP_VERSION,
        "source": {
            "sheet": document["sheet"]["number"],
            "document_sha256": sheet.document_sha256,
            "signed_at": document["sheet"]["signed_at"],
            "signed_by": document["signatures"]["manager"]["name"],
        },
        "vehicle": {
            name: vehicle[name]
            for name in ("make", "model", "years", "trim", "audio_package", "body_shape")
        },
        "products": {
            part["label"]: {name: part[name] for name in PRODUCT_FACTS}
            for part in document["parts"]
        },
        "speaker_parts": document["speaker_parts"],
        "plan": document["plan"],
        "recorded": document["tuning"].get("after", {}).get("channels", []),
        "other_settings": [
            {"name": row["name"], "after": row["after"]}
            for row in document["other_settings"]
            if row["after"]
        ],
    }


def upgrade(document: Mapping[str, Any]) -> dict[str, Any]:
    """The document at this version. Raises SetupError when it comes from a later one."""
    version = document.get("setup_version")
    if version != SETUP_VERSION:
        raise SetupError(f"This setup has version {version}; this program reads {SETUP_VERSION}.")
    return dict(document)


def plan_in(document: Mapping[str, Any]) -> Plan:
    """The plan in a setup. Raises SetupError."""
    try:
        return from_builtins(upgrade(document)["plan"])
    except PlanError as error:
        raise SetupError(str(error)) from None
