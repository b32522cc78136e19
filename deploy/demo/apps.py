from django.apps import AppConfig


class DemoConfig(AppConfig):
    """The demo shop: the command that loads it, and nothing the product stands on."""

    name = "deploy.demo"
    label = "demo"
