"""Secrets as the server is given them: in the environment, or in a file that a vault puts down."""

import os
from pathlib import Path
from typing import Final

NAMES: Final = (
    "AWS_ACCESS_KEY_ID",
    "AWS_SECRET_ACCESS_KEY",
    "DATABASE_URL",
    "LOOMBOOK_MAIL",
    "LOOMBOOK_METRICS_TOKEN",
    "LOOMBOOK_SECRET",
    "LOOMBOOK_SECRET_BEFORE",
)
"""What may be given as NAME_FILE, the path of a file, in the place of NAME."""


def given(name: str) -> str:
    """The secret of this name, or nothing; a file's without the line break at its end.

    Ends the program with a sentence where the file cannot be read or is empty, and where both are
    given: a secret that seems to be set and is not would open a door or shut the shop out.
    """
    assert name in NAMES
    here, path = os.environ.get(name, ""), os.environ.get(f"{name}_FILE", "")
    if not path:
        return here
    if here:
        raise SystemExit(f"{name} and {name}_FILE are both set: take one of them away.")
    try:
        said = Path(path).read_text().strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SystemExit(f"{name}_FILE names {path}, which cannot be read: {error}") from None
    if not said:
        raise SystemExit(f"{name}_FILE names {path}, which is empty.")
    return said
