"""What every page needs: the shop and the navigation for the person's roles."""

from typing import Any, NamedTuple

from django.http import HttpRequest

from shop import branches
from shop.roles import ALL_ROLES, DESK, Role, has_role


class NavItem(NamedTuple):
    url_name: str
    label: str
    icon: str
    roles: frozenset[Role]
    begins: str


NAV = (
    NavItem("board", "Board", "board", ALL_ROLES, "/board"),
    NavItem("plan", "Plan", "calendar", ALL_ROLES, "/plan"),
    NavItem("book", "Book a job", "plus", DESK, "/book"),
    NavItem("review_queue", "Review", "review", frozenset({Role.MANAGER}), "/review"),
    NavItem("numbers", "Numbers", "meter", frozenset({Role.MANAGER}), "/numbers"),
    NavItem("find", "Find", "search", ALL_ROLES, "/find"),
    NavItem(
        "customer_list",
        "Customers",
        "customer",
        DESK,
        "/customers",
    ),
    NavItem("vehicle_list", "Vehicles", "car", ALL_ROLES, "/vehicles"),
    NavItem("product_list", "Catalogue", "box", ALL_ROLES, "/catalogue"),
    NavItem("setup_list", "Setups", "setup", ALL_ROLES, "/setups"),
    NavItem("settings", "Shop", "settings", frozenset({Role.MANAGER}), "/settings"),
)


def shop(request: HttpRequest) -> dict[str, Any]:
    """`shop`, `branches` (None in a shop with one), and `nav_items`: url_name, label, icon and
    whether it is the page that is open, of each."""
    user = getattr(request, "user", None)
    return {
        "shop": getattr(request, "shop", None),
        "nav_items": tuple(
            (item.url_name, item.label, item.icon, request.path.startswith(item.begins))
            for item in NAV
            if user is not None and has_role(user, item.roles)
        ),
        "branches": branches.here(),
    }
