"""Invented vehicle models and twelve cars. The check digits agree with 49 CFR 565.15(c).

The maker codes are none that the United States register of makers lists. One imported car carries
a number whose check digit does not agree, confirmed as read.
"""

from typing import Final, NamedTuple

from shop.models import BodyShape, Powertrain
from shop.models.plugs import Proof
from shop.services.plugs import Known


class DemoModel(NamedTuple):
    """Make, model, years, trim and factory audio package."""

    key: str
    make: str
    model: str
    year_from: int
    year_to: int | None
    trim: str
    audio_package: str
    body_shape: str
    powertrain: str = Powertrain.FUEL
    factory_amplifier: bool = False
    note: str = ""


MODELS: Final = (
    DemoModel(
        "tamsel",
        "Osterlea",
        "Tamsel",
        2023,
        None,
        "Brightwater",
        "Ten speakers, factory amplifier under the right seat",
        BodyShape.HATCHBACK,
        factory_amplifier=True,
        note="Chimes, prompts and parking sounds all come through the factory amplifier.",
    ),
    DemoModel(
        "brimmock",
        "Osterlea",
        "Brimmock",
        2024,
        None,
        "Long range",
        "Twelve speakers, factory amplifier in the boot side",
        BodyShape.SUV,
        Powertrain.ELECTRIC,
        True,
        "High-voltage vehicle: the orange cables run under the left sill.",
    ),
    DemoModel(
        "yarrowby",
        "Skerrel",
        "Yarrowby",
        2020,
        None,
        "Panel",
        "Two door speakers",
        BodyShape.VAN,
        note="Bulkhead is steel; grommet behind the left kick panel.",
    ),
    DemoModel(
        "wrenlow",
        "Skerrel",
        "Wrenlow",
        2018,
        2022,
        "Comfort",
        "Eight speakers, head unit drives them",
        BodyShape.SALOON,
    ),
    DemoModel(
        "dorvane",
        "Quorrin",
        "Dorvane",
        2025,
        None,
        "Plug-in",
        "Nine speakers, factory amplifier behind the dash",
        BodyShape.ESTATE,
        Powertrain.HYBRID,
        True,
    ),
    DemoModel(
        "oxbray",
        "Dunmarrow",
        "Oxbray",
        2021,
        None,
        "Crew cab",
        "Six speakers, head unit drives them",
        BodyShape.PICKUP,
    ),
    DemoModel(
        "corrimer",
        "Halvane",
        "Corrimer",
        2017,
        2020,
        "Grand",
        "Eleven speakers, factory amplifier in the boot",
        BodyShape.SALOON,
        factory_amplifier=True,
    ),
)


class DemoPlug(NamedTuple):
    """A plug of a model: its face in rows and columns, and what is known of its cavities."""

    model: str
    name: str
    rows: int
    columns: int
    note: str
    cavities: tuple[Known, ...]


def _door(
    tweeter: tuple[str, str, str], mid: tuple[str, str, str], window: str
) -> tuple[Known, ...]:
    """A door's plug; a pair is its function, the plus wire's base colour and its stripe."""
    proved, paper = Proof.PROVED, Proof.DOCUMENT
    first, book = "First car, battery pulse", "Maker's wiring book, sheet 12"
    return (
        Known("1", "RD", "", "Window, supply", paper, book),
        Known("2", "BK", "", "Window, return", paper, book),
        Known("4", tweeter[1], tweeter[2], f"{tweeter[0]} +", proved, first),
        Known("5", tweeter[1], "BK", f"{tweeter[0]} -", proved, first),
        Known("9", window, "", "Window switch", paper, book),
        Known("12", mid[1], mid[2], f"{mid[0]} +", proved, first),
        Known("13", mid[1], "BK", f"{mid[0]} -", proved, first),
    )


PLUGS: Final = (
    DemoPlug(
        "tamsel",
        "Door plug, left",
        2,
        8,
        "Grey housing in the front door shut; the rubber boot comes off first.",
        _door(("Tweeter", "GN", "WH"), ("Midrange", "GY", "RD"), "BN"),
    ),
    DemoPlug(
        "tamsel",
        "Door plug, right",
        2,
        8,
        "Grey housing in the front door shut; the rubber boot comes off first.",
        _door(("Tweeter", "VT", "WH"), ("Midrange", "BU", "RD"), "OG"),
    ),
)


class DemoVehicle(NamedTuple):
    """One car; `key` is used by the schedule of jobs."""

    key: str
    owner: str
    model: str
    plate: str
    vin: str
    year: int
    colour: str
    odometer: int
    vin_odd: bool = False
    note: str = ""


VEHICLES: Final = (
    DemoVehicle(
        "tamsel_blue",
        "oakhollow",
        "tamsel",
        "HRN 4217",
        "1XWTA3E51RL004217",
        2024,
        "Slate blue",
        21840,
    ),
    DemoVehicle(
        "tamsel_red",
        "brandreth",
        "tamsel",
        "HRN 1093",
        "1XWTA3E55SL010933",
        2025,
        "Brick red",
        8120,
    ),
    DemoVehicle(
        "tamsel_white",
        "sorleywick",
        "tamsel",
        "LKD 2604",
        "1XWTB1E23PL002604",
        2023,
        "White",
        30215,
    ),
    DemoVehicle(
        "brimmock",
        "reedmere",
        "brimmock",
        "LKD 0318",
        "1XWBM4K74TB000318",
        2026,
        "Moss green",
        5310,
    ),
    DemoVehicle(
        "van_7",
        "vanhire",
        "yarrowby",
        "VAN 7742",
        "4YYYB2C89NK007742",
        2022,
        "White",
        88410,
        note="Fleet number 7. Cage over the rear left wheel arch.",
    ),
    DemoVehicle(
        "wrenlow_grey",
        "petrikhall",
        "wrenlow",
        "KES 1180",
        "4YYWR5H17LK031180",
        2020,
        "Grey",
        61200,
    ),
    DemoVehicle(
        "wrenlow_black",
        "amberfold",
        "wrenlow",
        "KES 8851",
        "4YYWR5H48MK028851",
        2021,
        "Black",
        47955,
    ),
    DemoVehicle(
        "dorvane_26",
        "hadleybrook",
        "dorvane",
        "OAK 1905",
        "1YXDV7F65TV001905",
        2026,
        "Copper",
        3980,
    ),
    DemoVehicle(
        "dorvane_25", "quayle", "dorvane", "OAK 0467", "1YXDV7F64SV000467", 2025, "Silver", 14620
    ),
    DemoVehicle(
        "oxbray", "ostlergate", "oxbray", "FLD 5520", "4UXXB9D3XPD015520", 2023, "Sand", 40770
    ),
    DemoVehicle(
        "corrimer_19",
        "whitlaw",
        "corrimer",
        "MRW 9014",
        "2KVCR6A23KH009014",
        2019,
        "Dark green",
        98230,
    ),
    DemoVehicle(
        "corrimer_import",
        "fennimoor",
        "corrimer",
        "IMP 2066",
        "2KVHL3V9ZJS120066",
        2018,
        "Pearl",
        73400,
        vin_odd=True,
        note="Imported: the number was read twice from the screen plate.",
    ),
)
