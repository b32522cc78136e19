from shop.models.people import Customer, StaffMember
from shop.models.products import Product, ProductKind, ProductRating
from shop.models.shop import Bay, Shop, Units
from shop.models.vehicles import BodyShape, Powertrain, Vehicle, VehicleModel

__all__ = [
    "Bay",
    "BodyShape",
    "Customer",
    "Powertrain",
    "Product",
    "ProductKind",
    "ProductRating",
    "Shop",
    "StaffMember",
    "Units",
    "Vehicle",
    "VehicleModel",
]
