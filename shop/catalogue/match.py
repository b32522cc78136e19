"""Which product of the catalogue a row of a file speaks of."""

from collections import defaultdict
from dataclasses import dataclass

from shop.models import Product


def plain(text: str) -> str:
    """A text without case and blanks."""
    return "".join(text.split()).casefold()


@dataclass(frozen=True)
class Words:
    """Maker, name and part number, as typed."""

    maker: str
    name: str
    number: str

    @property
    def plain(self) -> tuple[str, str, str]:
        return plain(self.maker), plain(self.name), plain(self.number)

    @property
    def title(self) -> str:
        return " ".join(filter(None, [self.maker, self.name])) or self.number or "No name"


class Catalogue:
    """All products, to be found by exact words, by maker and name, and by part number."""

    def __init__(self) -> None:
        self.exact: dict[tuple[str, str, str], Product] = {}
        self.named: dict[tuple[str, str], list[Product]] = defaultdict(list)
        self.numbered: dict[str, list[Product]] = defaultdict(list)
        for product in Product.objects.prefetch_related("ratings"):
            words = Words(product.maker, product.name, product.part_number)
            maker, name, number = words.plain
            self.exact[product.maker, product.name, product.part_number] = product
            self.named[maker, name].append(product)
            if number:
                self.numbered[number].append(product)

    def find(self, words: Words) -> tuple[Product | None, Product | None, str]:
        """The product itself, or else one that looks like it and why it does."""
        if product := self.exact.get((words.maker, words.name, words.number)):
            return product, None, ""
        maker, name, number = words.plain
        numbered = self.numbered.get(number, [])
        if not (maker and name):
            fits = [
                one
                for one in numbered
                if maker in ("", plain(one.maker)) and name in ("", plain(one.name))
            ]
            return (fits[0] if len(fits) == 1 else None), None, ""
        named = self.named.get((maker, name), [])
        same = [one for one in named if plain(one.part_number) == number]
        same = same or [one for one in named if not (number and one.part_number)]
        if len(same) == 1:
            return same[0], None, ""
        if same:
            return None, same[0], f"{len(same)} products have this maker and name"
        if named:
            other = named[0].part_number
            return None, named[0], f"same maker and name, but part number {other}"
        if numbered:
            return None, numbered[0], f"same part number, but called {numbered[0]}"
        return None, None, ""
