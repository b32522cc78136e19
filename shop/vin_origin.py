"""Where a VIN says a vehicle comes from: region, country and maker, as suggestions.

The first three characters are the world manufacturer identifier of ISO 3780. The tables are those
of the vininfo package, carried inside it, so nothing is looked up outside. They are kept by hand
and neither complete nor official: no answer is normal, and no answer here refuses anything.
"""

from importlib.metadata import version
from typing import Final

import msgspec
from django.utils.translation import gettext

SMALL_MAKER: Final = "9"
"""Third character of the makers of few vehicles; positions 12 to 14 then tell them apart."""

_PACKAGE: Final = "vininfo"


class Origin(msgspec.Struct, frozen=True):
    """What the identifier suggests; "" where nothing is known."""

    region: str
    country: str
    maker: str
    source: str

    def __bool__(self) -> bool:
        return bool(self.region or self.country or self.maker)


def origin_of(vin: str) -> Origin:
    """Region, country and maker that a VIN of 17 characters suggests. Never raises."""
    from vininfo import Vin
    from vininfo.common import UnsupportedBrand

    source = gettext("ISO 3780 tables of %(package)s %(version)s") % {
        "package": _PACKAGE,
        "version": version(_PACKAGE),
    }
    try:
        read = Vin(vin)
        maker = "" if isinstance(read.assembler, UnsupportedBrand) else str(read.manufacturer)
        region, country = read.region or "", read.country or ""
    # Its readers of single makers' codes may stumble over any number: then nothing is suggested.
    except Exception:
        return Origin("", "", "", source)
    return Origin(region, country, "" if vin[2] == SMALL_MAKER else maker, source)
