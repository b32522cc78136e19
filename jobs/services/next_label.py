"""What the next row of a plan is called: R3 after R2, SP1 where there is none."""

from typing import Any

from django.db.models import Manager

from shop.typed import whole


def next_label(rows: "Manager[Any]", prefix: str) -> str:
    """The next free name with the prefix; names that somebody wrote otherwise are passed over."""
    taken = rows.filter(label__startswith=prefix).values_list("label", flat=True)
    numbers = (whole(label.removeprefix(prefix)) or 0 for label in taken)
    return f"{prefix}{max(numbers, default=0) + 1}"
