"""Every URL of the product, from Django's own table, and its arguments from the ground."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.urls import URLResolver, get_resolver, reverse

from tests.permission_ground import GIVEN, PK_OF, Ground


@dataclass(frozen=True)
class Url:
    """An entry of the URL table, with the arguments of everything above it."""

    name: str
    route: str
    arguments: tuple[str, ...]
    view: Any


def _walk(resolver: URLResolver, route: str = "", above: tuple[str, ...] = ()) -> Iterator[Url]:
    for entry in resolver.url_patterns:
        arguments = (*above, *entry.pattern.converters)
        here = f"{route}{entry.pattern}"
        if isinstance(entry, URLResolver):
            yield from _walk(entry, here, arguments)
        else:
            yield Url(entry.name or "", here, arguments, entry.callback)


URLS: list[Url] = list(_walk(get_resolver()))


def arguments_of(url: Url, ground: Ground) -> dict[str, Any]:
    name = url.name
    made: dict[str, Any] = {}
    for argument in url.arguments:
        if argument == "number":
            made[argument] = ground.numbers.get(name, ground.number)
        elif argument == "pk":
            known = PK_OF.get(name) or max(
                (one for one in ground.keys if name.startswith(one)), key=len, default=None
            )
            assert known, f"say in PK_OF whose key {name!r} wants"
            made[argument] = ground.keys[known]
        else:
            made[argument] = GIVEN.get(name, {}).get(argument) or ground.given[argument]
    return made


def address_of(url: Url, ground: Ground) -> str:
    made = reverse(url.name, kwargs=arguments_of(url, ground))
    return made + ground.queries.get(url.name, "")
