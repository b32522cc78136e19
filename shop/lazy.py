"""Libraries that take long to load: loaded by whoever needs them first, and not by every command.

A process that serves loads them before its first request (shop.project.wsgi).
"""

from importlib import import_module
from typing import Any


class Lazy:
    """Stands for a module of this name until something of it is asked for."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        return getattr(import_module(self._name), attribute)
