from shop.models.api import ApiToken, ApiWrite
from shop.models.branches import Branch
from shop.models.catalogue_upload import CatalogueUpload
from shop.models.devices import PinAttempts, Tablet
from shop.models.events import ShopEvent
from shop.models.hours import Absence, ClosedDays, OpenHours, WorkedHoliday
from shop.models.labels import LabelSheet
from shop.models.people import Customer, StaffMember
from shop.models.plugs import PlugCavity, PlugTable
from shop.models.products import Product, ProductKind, ProductRating
from shop.models.second_factor import CodeApp, Passkey, RecoveryCode
from shop.models.shop import Bay, Shop, ShopLogo, TaxRate, Units
from shop.models.sign_in import SignIn, SignInAttempts
from shop.models.vehicles import BodyShape, Powertrain, Vehicle, VehicleModel

__all__ = [
    "Absence",
    "ApiToken",
    "ApiWrite",
    "Bay",
    "BodyShape",
    "Branch",
    "CatalogueUpload",
    "ClosedDays",
    "CodeApp",
    "Customer",
    "LabelSheet",
    "OpenHours",
    "Passkey",
    "PinAttempts",
    "PlugCavity",
    "PlugTable",
    "Powertrain",
    "Product",
    "ProductKind",
    "ProductRating",
    "RecoveryCode",
    "Shop",
    "ShopEvent",
    "ShopLogo",
    "SignIn",
    "SignInAttempts",
    "StaffMember",
    "Tablet",
    "TaxRate",
    "Units",
    "Vehicle",
    "VehicleModel",
    "WorkedHoliday",
]
