"""Which steps of the first day are left out."""

from django.db import transaction

from shop.models import Shop, StaffMember
from shop.services import events


@transaction.atomic
def leave_out(name: str, out: bool, actor: StaffMember) -> None:
    """Leave a step out, or take it up again; a repeat changes nothing."""
    shop = Shop.objects.select_for_update().get(pk=Shop.objects.current().pk)
    names = [one for one in shop.steps_left_out if one != name]
    shop.steps_left_out = [*names, name] if out else names
    events.save(shop, actor, only=["steps_left_out"])
