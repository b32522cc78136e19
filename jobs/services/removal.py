"""Rows taken away whole, and put back whole, whatever fields they have and whatever hangs on them.

What goes with a row is asked of the models: no list of fields stands here, so a new field or a new
table cannot be forgotten. A row comes back under its own key, so that everything which names it
(photos, events, entries on their way from a tablet) finds it again.
"""

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any, Final

from django.apps import apps
from django.db import models
from django.db.models.deletion import Collector
from django.utils.translation import gettext

from jobs.errors import Refused

Kept = dict[str, Any]
"""Rows as the event log keeps them: `rows`, the first being the one that was asked for, and
`links`, the fields that pointed at them and were emptied."""

BOOKKEEPING: Final = frozenset({"version"})


class _Everything(Collector):
    """Reads every row that goes, also those the database would delete unseen."""

    def can_fast_delete(self, *args: Any, **kwargs: Any) -> bool:
        return False


def facts_in(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The fields that say something of a row, in the model's order: not its key and version."""
    left_out = BOOKKEEPING | {model._meta.pk.name, *but}
    return tuple(one.name for one in model._meta.concrete_fields if one.name not in left_out)


def _plain(field: "models.Field[Any, Any]", row: models.Model) -> Any:
    """A field's value as a JSON type that `to_python` reads back unchanged."""
    value = field.value_from_object(row)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    return value if isinstance(field, models.JSONField) else field.value_to_string(row)


def _kept(row: models.Model) -> dict[str, Any]:
    fields = {one.attname: _plain(one, row) for one in row._meta.concrete_fields}
    return {"model": row._meta.label_lower, "fields": fields}


def _emptied(collector: Collector) -> Iterator[dict[str, Any]]:
    updates: dict[Any, list[Any]] = collector.field_updates
    for (field, _), groups in updates.items():
        for row in (row for group in groups for row in group):
            value = _plain(field, row)
            yield {
                "model": row._meta.label_lower,
                "pk": row.pk,
                "field": field.attname,
                "value": value,
            }


def take_out(row: models.Model) -> Kept:
    """Delete a row and all that goes with it; what comes back puts them back."""
    collector = _Everything(using=row._state.db or "default", origin=row)
    collector.collect([row])
    others = [
        one
        for rows in collector.data.values()
        for one in sorted(rows, key=lambda one: one.pk)
        if one != row
    ]
    kept = {"rows": [_kept(one) for one in (row, *others)], "links": list(_emptied(collector))}
    row.delete()
    return kept


def _row(kept: dict[str, Any], changes: dict[str, Any]) -> models.Model:
    """The row again; a field the table has got since takes its default."""
    model: type[models.Model] = apps.get_model(kept["model"])
    there = {field.attname: field for field in model._meta.concrete_fields}
    values = {
        name: there[name].to_python(value)
        for name, value in kept["fields"].items()
        if name in there
    }
    return model(**{**values, **changes})


def _gone(row: models.Model, back: set[tuple[type[models.Model], Any]]) -> Any:
    """The first field of a row that points at a row no longer there."""
    for field in row._meta.concrete_fields:
        key = getattr(row, field.attname)
        if not isinstance(field, models.ForeignKey) or key is None:
            continue
        model = field.remote_field.model
        if (model, key) not in back and not model._base_manager.filter(pk=key).exists():
            return field
    return None


def put_back(kept: Kept, **changes: Any) -> models.Model:
    """Put rows back as they were, the first one with `changes`; gives the first.

    What hung on it by a row that has gone meanwhile stays away; Refused when the row itself did.
    """
    if "rows" not in kept:
        raise Refused(
            gettext("It was taken out before such things were kept whole: enter it again.")
        )
    first, *others = (
        _row(one, changes if place == 0 else {}) for place, one in enumerate(kept["rows"])
    )
    if missing := _gone(first, set()):
        raise Refused(
            gettext(
                "Its %(verbose_name)s was taken out of the job meanwhile, so it cannot "
                "be put back as it was: enter it again."
            )
            % {"verbose_name": missing.verbose_name}
        )
    first.save_base(raw=True, force_insert=True)
    back = {(type(first), first.pk)}
    for row in others:
        if _gone(row, back) is None:
            row.save_base(raw=True, force_insert=True)
            back.add((type(row), row.pk))
    for link in kept["links"]:
        rows = apps.get_model(link["model"])._base_manager.filter(pk=link["pk"])
        rows.filter(**{link["field"]: None}).update(**{link["field"]: link["value"]})
    return first
