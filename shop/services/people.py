"""Changes to staff that must never leave the shop without a manager."""

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext

from shop.models import StaffMember
from shop.services import events, sign_in, sign_ins
from shop.services.pins import give_pin


@transaction.atomic
def save_staff(
    staff: StaffMember, *, password: str = "", pin: str = "", by: StaffMember, keep: str = ""
) -> StaffMember:
    """Save a staff member with their roles, and a new password or PIN when one is given.

    A new password ends the wait after too many wrong ones. It, other roles and taking the sign-in
    away end the person's sessions, a new PIN those by PIN; the session of the key `keep` stays.
    Whoever was given a password by another is led to choose their own (`shop.access`).

    Raises ValidationError when nobody could manage the shop afterwards, or when the person
    would lock themselves out.
    """
    if staff.pk == by.pk and not (staff.is_active and staff.is_manager):
        raise ValidationError(
            gettext("You cannot take your own manager role or sign-in away: ask another manager.")
        )
    managers = StaffMember.objects.select_for_update().filter(is_manager=True, is_active=True)
    others = [manager for manager in managers if manager.pk != staff.pk]
    if not others and not (staff.is_manager and staff.is_active):
        raise ValidationError(
            gettext("This is the last manager: make somebody else a manager first.")
        )
    old = StaffMember.objects.filter(pk=staff.pk).first()
    given = {}
    if password:
        staff.set_password(password)
        staff.password_given = staff.pk != by.pk
        sign_in.forget(staff.username)
        given["password"] = events.SET
    if pin:
        given["pin"] = events.SET
    events.save(staff, by, after=given)
    if pin:
        give_pin(staff, pin)
    if old is not None:
        if password or (old.roles, old.is_active) != (staff.roles, staff.is_active):
            sign_ins.end_all(staff, but=keep)
        elif pin:
            sign_ins.end_all(staff, but=keep, by_pin_only=True)
    return staff
