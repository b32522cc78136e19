"""Every distinct way to join identical parts in series and parallel.

A way is a tree: a leaf is one part, a branch joins its children in series or in parallel and its
children are leaves or branches of the other kind. Children in another order are the same way, so
they are kept sorted. There are 1, 2, 4, 10, 24, 66, 180, 522 ways for 1 to 8 parts (OEIS A000084,
MacMahon 1892).
"""

from collections.abc import Iterator
from fractions import Fraction
from functools import lru_cache
from typing import Literal, NamedTuple

Kind = Literal["series", "parallel"]


class Tree(NamedTuple):
    """One part (`kind` empty) or several joined; `leaves` counts the parts."""

    kind: Literal["", "series", "parallel"]
    children: tuple["Tree", ...]
    leaves: int


LEAF = Tree("", (), 1)


def joined(kind: Kind, children: tuple[Tree, ...]) -> Tree:
    """Children joined, kept in one order; children of the same kind are taken in."""
    flat: list[Tree] = []
    for child in children:
        flat += child.children if child.kind == kind else (child,)
    if len(flat) == 1:
        return flat[0]
    return Tree(kind, tuple(sorted(flat, key=_order)), sum(child.leaves for child in flat))


def _order(tree: Tree) -> tuple[int, str]:
    return (-tree.leaves, repr(tree))


@lru_cache(maxsize=16)
def trees(parts: int) -> tuple[Tree, ...]:
    """Every distinct way to join that many identical parts."""
    if parts == 1:
        return (LEAF,)
    return (*_of_kind("series", parts), *_of_kind("parallel", parts))


@lru_cache(maxsize=32)
def _of_kind(kind: Kind, parts: int) -> tuple[Tree, ...]:
    if parts == 1:
        return (LEAF,)
    other: Kind = "parallel" if kind == "series" else "series"
    choices = [tree for count in range(1, parts) for tree in _of_kind(other, count)]
    return tuple(joined(kind, children) for children in _multisets(choices, parts, 0))


def _multisets(choices: list[Tree], parts: int, start: int) -> Iterator[tuple[Tree, ...]]:
    if parts == 0:
        yield ()
        return
    for index in range(start, len(choices)):
        if choices[index].leaves <= parts:
            for rest in _multisets(choices, parts - choices[index].leaves, index):
                yield (choices[index], *rest)


def resistance(tree: Tree) -> Fraction:
    """Resistance in units of one part's, exactly."""
    if not tree.children:
        return Fraction(1)
    if tree.kind == "series":
        return sum((resistance(child) for child in tree.children), Fraction(0))
    return 1 / sum((1 / resistance(child) for child in tree.children), Fraction(0))


def shares(tree: Tree) -> tuple[Fraction, ...]:
    """Share of the power in each part, from left to right, exactly; they add up to 1."""
    if not tree.children:
        return (Fraction(1),)
    whole = resistance(tree)
    fractions: list[Fraction] = []
    for child in tree.children:
        own = resistance(child)
        part = own / whole if tree.kind == "series" else whole / own
        fractions += [part * share for share in shares(child)]
    return tuple(fractions)


def words(tree: Tree, one: str = "coil", many: str = "coils") -> str:
    """The way in words: "2 coils in series, 2 such in parallel"."""
    if not tree.children:
        return f"1 {one}"
    first = tree.children[0]
    if all(child == first for child in tree.children):
        if not first.children:
            return f"{tree.leaves} {many} in {tree.kind}"
        return f"{words(first, one, many)}, {len(tree.children)} such in {tree.kind}"
    inner = " and ".join(
        f"({words(child, one, many)})" if child.children else f"1 {one}" for child in tree.children
    )
    return f"{inner} in {tree.kind}"
