"""Published tables as data files, each with its citation and how sure we are of it inside."""

import json
from importlib.resources import files
from typing import Any


def load(name: str) -> dict[str, Any]:
    """The table of that name. Its `source` and `status` keys say where the figures come from."""
    table = json.loads(files(__package__).joinpath(f"{name}.json").read_text(encoding="utf-8"))
    assert isinstance(table, dict)
    return table
