"""The demo shop, its bays, staff and customers. All invented; 555-01xx numbers reach nobody."""

from datetime import time
from decimal import Decimal
from typing import Any, Final, NamedTuple

SHOP: Final[dict[str, Any]] = {
    "name": "Heronsway Car Sound",
    "address": "7 Heronsway\nLarkstead",
    "phone": "555-0140",
    "email": "desk@heronsway.example",
    "time_zone": "Europe/London",
    "units": "metric",
    "currency": "GBP",
    "tax_name": "VAT",
    "tax_percent": Decimal(20),
    "labour_price": Decimal(64),
    "work_warranty_months": 24,
    "parts_warranty_months": 12,
    "sheet_terms": (
        "Please come back within 30 days to have every terminal checked, at no charge. Loud sound "
        "harms hearing: turn it down when it has to be shouted over."
    ),
}

OTHER_TAX: Final = ("Reduced VAT", Decimal(5))
OTHER_LINE: Final[dict[str, Any]] = {
    "text": "Child seat anchor put back and tested",
    "quantity": Decimal(1),
    "price": Decimal("18.50"),
}
"""A line of the estimate that carries the other tax; the shop is invented, and so is its tax."""

OPEN: Final = (time(8), time(18))
"""On every weekday: whatever day the demo is loaded on, somebody is at work."""

BAYS: Final = (
    ("Bay 1", "Two-post lift, 2.1 m door"),
    ("Bay 2", "Flat floor, high-voltage work only by certified staff"),
)


class DemoStaff(NamedTuple):
    """One person with a demo login."""

    username: str
    password: str
    name: str
    front_desk: bool = False
    technician: bool = False
    manager: bool = False
    pin: str = ""
    """For shared tablets, once a manager has registered one."""

    @property
    def roles(self) -> str:
        held = (
            ("front desk", self.front_desk),
            ("technician", self.technician),
            ("manager", self.manager),
        )
        return " and ".join(name for name, yes in held if yes)


STAFF: Final = (
    DemoStaff("maud", "desk-demo-1", "Maud Ferrick", front_desk=True),
    DemoStaff("idris", "bench-demo-1", "Idris Calloway", technician=True, pin="4826"),
    DemoStaff("wanda", "bench-demo-2", "Wanda Tresk", technician=True, pin="7139"),
    DemoStaff("odile", "boss-demo-1", "Odile Marchbank", manager=True),
    DemoStaff("piers", "lead-demo-1", "Piers Underlow", technician=True, manager=True, pin="9052"),
)


class DemoCustomer(NamedTuple):
    """A person or company with vehicles."""

    key: str
    name: str
    phone: str
    email: str
    address: str = ""
    note: str = ""


CUSTOMERS: Final = (
    DemoCustomer(
        "oakhollow",
        "Ngozi Oakhollow",
        "555-0101",
        "ngozi@oakhollow.example",
        "22 Millrace Row, Larkstead",
        "Prefers a text message when the car is ready.",
    ),
    DemoCustomer(
        "brandreth", "Tilman Brandreth", "555-0102", "tilman@brandreth.example", "3 Ferry Steps"
    ),
    DemoCustomer("sorleywick", "Una Sorleywick", "555-0103", "una@sorleywick.example"),
    DemoCustomer("petrikhall", "Jonas Petrikhall", "555-0104", "jonas@petrikhall.example"),
    DemoCustomer(
        "vanhire",
        "Larkstead Van Hire",
        "555-0105",
        "fleet@larksteadvans.example",
        "Unit 4, Kiln Yard, Larkstead",
        "Company account. Invoice to the fleet manager, keys in the grey box.",
    ),
    DemoCustomer("amberfold", "Chidi Amberfold", "555-0106", "chidi@amberfold.example"),
    DemoCustomer("reedmere", "Marisol Reedmere", "555-0107", "marisol@reedmere.example"),
    DemoCustomer("whitlaw", "Desmond Whitlaw", "555-0108", ""),
    DemoCustomer("hadleybrook", "Yusra Hadleybrook", "555-0109", "yusra@hadleybrook.example"),
    DemoCustomer("quayle", "Tamsin Quayle-Birch", "555-0110", "tamsin@quaylebirch.example"),
    DemoCustomer("ostlergate", "Bram Ostlergate", "555-0111", "bram@ostlergate.example"),
    DemoCustomer(
        "fennimoor",
        "Leocadia Fennimoor",
        "555-0112",
        "leo@fennimoor.example",
        note="Imported car; papers in two languages in the folder.",
    ),
)
