"""Taps and keys as hands make them, counted in the page, by the page they are made on."""

from collections import Counter
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from playwright.sync_api import Page

WATCH = """
addEventListener("pointerdown", (event) => event.isTrusted && window.handed(location.pathname, 1, 0), true);
addEventListener("change", (event) => {
  const control = event.target;
  if (control.matches("select")) window.handed(location.pathname, 2, 0);
  else if (control.matches("textarea, input:not([type=checkbox], [type=radio], [type=file], [type=hidden])"))
    window.handed(location.pathname, 1, [...control.value].length);
}, true);
addEventListener("keydown", (event) => event.isTrusted && event.key === "Enter" && window.handed(location.pathname, 0, 1), true);
"""
"""A tap is the pointer going down; a choice in a list is two (open it, take one); a text is a tap
and its characters, whatever types them."""


@dataclass(frozen=True)
class Effort:
    """What hands did."""

    taps: int = 0
    keys: int = 0

    def __add__(self, other: "Effort") -> "Effort":
        return Effort(self.taps + other.taps, self.keys + other.keys)


class Hands:
    """Counts taps and keys of a page until they are taken."""

    def __init__(self, page: Page) -> None:
        self.taps: Counter[str] = Counter()
        self.keys: Counter[str] = Counter()
        page.context.expose_binding("handed", self._add)
        page.context.add_init_script(WATCH)

    def _add(self, source: Any, path: str, taps: int, keys: int) -> None:
        parts = urlsplit(path).path.split("/")
        where = "/".join(part for part in parts if part and not part.isdigit())
        self.taps[where] += taps
        self.keys[where] += keys

    def take(self) -> dict[str, Effort]:
        """The effort by page so far; the next count starts from nothing."""
        counted = {one: Effort(self.taps[one], self.keys[one]) for one in sorted(self.taps)}
        self.taps.clear()
        self.keys.clear()
        return counted
