"""Texts that stand in tables of the code, are kept in rows in English, and are translated where
they are shown: `told` in templates and code."""

from collections.abc import Iterable

from django.apps import apps
from django.db import models


def tables() -> dict[str, Iterable[str]]:
    """Texts by the file in which they stand."""
    from jobs.lists import car_places, functions
    from shop import context

    return {
        "jobs/lists/functions.py": [
            text for one in functions.FACTORY_FUNCTIONS for text in (one.group, one.name)
        ],
        "jobs/lists/car_places.py": [one.label for one in car_places._ALL],
        "shop/context.py": [item.label for item in context.NAV],
        **choices(),
    }


def choices() -> dict[str, list[str]]:
    """What may be chosen in each field of a model, by the model's file."""
    found: dict[str, list[str]] = {}
    for model in apps.get_models():
        if model._meta.app_label not in {"jobs", "shop"}:
            continue
        place = model.__module__.replace(".", "/") + ".py"
        for field in model._meta.get_fields():
            if isinstance(field, models.Field) and field.name != "language" and field.choices:
                labels = [str(label) for value, label in field.flatchoices]
                found.setdefault(place, []).extend(labels)
    return found
