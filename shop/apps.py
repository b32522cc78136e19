from django.apps import AppConfig
from django.forms import Field


class ShopConfig(AppConfig):
    name = "shop"
    verbose_name = "Shop"

    def ready(self) -> None:
        # Before any form class is made: what every empty field that must be filled says.
        Field.default_error_messages["required"] = "Fill this in."
