"""The first day of a shop: what to say before the first booking, each step on its own page.

A step is done when its page was filled in; any may be left out, and taken up again. Nothing here
is asked before the program starts.
"""

from typing import NamedTuple

from shop.models import Bay, OpenHours, Product, Shop, StaffMember, Tablet


class FirstStep(NamedTuple):
    """One step: what it is called, why, where it is taken, and how it stands."""

    name: str
    label: str
    why: str
    url_name: str
    place: str
    done: bool
    left_out: bool


def is_new(shop: Shop) -> bool:
    """No job was ever booked here."""
    return not shop.ever_booked


def first_steps(shop: Shop) -> list[FirstStep]:
    """The steps in the order that suits a first day."""
    left_out = set(shop.steps_left_out)
    steps: tuple[tuple[str, str, str, str, str, bool], ...] = (
        (
            "shop",
            "The shop",
            "Name, address, time zone and units: they stand on every sheet.",
            "settings",
            "",
            shop.name != Shop._meta.get_field("name").default,
        ),
        ("bays", "Bays", "A job is booked into a bay.", "bay_list", "", Bay.objects.exists()),
        (
            "hours",
            "Opening hours",
            "Outside them a booking is asked about; holidays come by country.",
            "hours",
            "",
            OpenHours.objects.exists(),
        ),
        (
            "staff",
            "Staff",
            "Everybody signs for what they did.",
            "staff_list",
            "",
            StaffMember.objects.filter(is_active=True).count() > 1,
        ),
        (
            "money",
            "Currency and tax",
            "What estimates are written in.",
            "settings",
            "#money",
            bool(shop.currency),
        ),
        (
            "parts",
            "First parts",
            "Type them in, or bring a file of your supplier’s.",
            "product_list",
            "",
            Product.objects.exists(),
        ),
        (
            "tablets",
            "Tablets in the bay",
            "Shared by everybody, each with a PIN.",
            "tablet_list",
            "",
            Tablet.objects.exists(),
        ),
    )
    return [FirstStep(*one, one[0] in left_out) for one in steps]
