"""Forms as a browser finds them on our pages: what is posted where, and with which controls.

`collect` reads every page that the URL table and the pages' own links lead to, and gives each
different form once: plain forms, cells that save themselves, and buttons that post by htmx.
"""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache
from html.parser import HTMLParser
from typing import Any
from urllib.parse import parse_qsl, urljoin, urlsplit

from django.test import Client
from django.urls import Resolver404, ResolverMatch, resolve

VOID = frozenset(
    [
        "area",
        "base",
        "br",
        "col",
        "embed",
        "hr",
        "img",
        "input",
        "link",
        "meta",
        "param",
        "source",
        "track",
        "wbr",
    ]
)


@cache
def _resolved(path: str) -> ResolverMatch | None:
    """What answers at a path, which pages name again and again."""
    try:
        return resolve(path)
    except Resolver404:
        return None


NOT_TYPED = frozenset({"hidden", "submit", "button", "file", "password", "vals"})
"""Kinds of controls whose value nobody types, or that never come back."""


class Node:
    """An element with its attributes, its children and the text directly in it."""

    def __init__(self, tag: str, attributes: dict[str, str], above: "Node | None") -> None:
        self.tag = tag
        self.attributes = attributes
        self.above = above
        self.children: list[Node] = []
        self.text = ""

    def walk(self) -> Iterator["Node"]:
        yield self
        for child in self.children:
            yield from child.walk()

    def inert(self, outer: "Node") -> bool:
        """It stands in a template inside `outer`, which a browser posts nothing of."""
        node: Node | None = self
        while node is not None and node is not outer:
            if node.tag == "template":
                return True
            node = node.above
        return False

    def up(self, tag: str) -> "Node | None":
        node = self.above
        while node is not None and node.tag != tag:
            node = node.above
        return node

    def words(self) -> str:
        return " ".join(node.text for node in self.walk())


class _Tree(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = self.here = Node("", {}, None)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {name: value or "" for name, value in attrs}, self.here)
        self.here.children.append(node)
        if tag not in VOID:
            self.here = node

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        node: Node | None = self.here
        while node is not None and node.tag != tag:
            node = node.above
        if node is not None and node.above is not None:
            self.here = node.above

    def handle_data(self, data: str) -> None:
        self.here.text += data


def tree_of(html: str) -> Node:
    parser = _Tree()
    parser.feed(html)
    parser.close()
    return parser.root


@dataclass(frozen=True)
class Control:
    """One name that a form posts, with what a browser would send untouched."""

    name: str
    kind: str
    values: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()

    @property
    def typed(self) -> bool:
        return self.kind not in NOT_TYPED


@dataclass(frozen=True)
class Form:
    """Something that a page posts: to which address, with which controls, by htmx or not."""

    address: str
    controls: tuple[Control, ...]
    htmx: bool
    page: str = field(compare=False)
    with_files: bool = field(default=False, compare=False)

    @property
    def url_name(self) -> str:
        found = _resolved(urlsplit(self.address).path)
        return found.url_name or "" if found else ""

    @property
    def kind(self) -> tuple[str, frozenset[str], bool]:
        """What two forms of the same making share."""
        return (self.url_name, frozenset(one.name for one in self.controls), self.htmx)


def _control(node: Node) -> Control | None:
    name = node.attributes.get("name", "")
    if not name or "disabled" in node.attributes or name == "csrfmiddlewaretoken":
        return None
    if node.tag == "textarea":
        return Control(name, "textarea", (node.text.removeprefix("\n"),))
    if node.tag == "select":
        options = [one for one in node.walk() if one.tag == "option"]
        choices = tuple(one.attributes.get("value", one.text) for one in options)
        chosen = tuple(
            one.attributes.get("value", one.text) for one in options if "selected" in one.attributes
        )
        if not chosen and choices and "multiple" not in node.attributes:
            chosen = choices[:1]
        return Control(name, "select", chosen, choices)
    if node.tag == "button":
        kind = node.attributes.get("type", "submit")
        value = node.attributes.get("value", "")
        return Control(name, "submit", (value,), (value,)) if kind == "submit" else None
    kind = node.attributes.get("type", "text")
    value = node.attributes.get("value", "on" if kind in {"checkbox", "radio"} else "")
    if kind in {"checkbox", "radio"}:
        return Control(name, kind, (value,) if "checked" in node.attributes else (), (value,))
    return Control(name, kind, (value,))


def _merged(controls: Iterable[Control]) -> tuple[Control, ...]:
    """One control a name: radios, ticks and rows that share a name are one."""
    found: dict[str, Control] = {}
    for one in controls:
        held = found.get(one.name)
        if held is None:
            found[one.name] = one
        else:
            choices = tuple(dict.fromkeys(held.choices + one.choices))
            values = held.values if one.kind == "submit" else held.values + one.values
            found[one.name] = Control(one.name, held.kind, values, choices)
    return tuple(found.values())


def controls_in(node: Node, root: Node | None = None) -> list[Control]:
    """The controls of an element, and those elsewhere that say they belong to it."""
    named = {"input", "select", "textarea", "button"}
    nodes = [one for one in node.walk() if one.tag in named and not one.inert(node)]
    ident = node.attributes.get("id")
    if root is not None and ident:
        nodes += [one for one in root.walk() if one.attributes.get("form") == ident]
    return [made for one in nodes if (made := _control(one)) is not None]


def forms_in(root: Node, page: str) -> Iterator[Form]:
    """The forms and posting elements of a page."""
    along = [
        made
        for one in root.walk()
        if "data-with-cells" in one.attributes and (made := _control(one)) is not None
    ]
    for node in root.walk():
        by_htmx = node.attributes.get("hx-post")
        post = node.attributes.get("method", "").lower() == "post"
        plain = node.tag == "form" and post and "data-cell-form" not in node.attributes
        controls = controls_in(node, root) if by_htmx or plain else []
        if by_htmx:
            outer = node if node.tag == "form" else node.up("form")
            if outer is not None and outer is not node and "data-cell-form" not in node.attributes:
                controls += controls_in(outer, root)
            vals = json.loads(node.attributes.get("hx-vals") or "{}")
            controls += [Control(name, "vals", (str(one),)) for name, one in vals.items()]
            if "data-cell-form" in node.attributes:
                controls.append(Control("key", "hidden", ("tablet_1234567890",)))
            yield Form(urljoin(page, by_htmx), _merged([*controls, *along]), True, page)
        if plain:
            with_files = node.attributes.get("enctype", "") == "multipart/form-data"
            action = urljoin(page, node.attributes.get("action", ""))
            yield Form(action, _merged(controls), False, page, with_files)


MOST_OF_A_PAGE = 9
"""How many addresses of one view are read, beyond those given."""

_LINKS = ("href", "hx-get", "action")


def links_in(root: Node, page: str) -> Iterator[tuple[str, bool]]:
    """Addresses of our own that a page leads to, and whether htmx asks for them."""
    for node in root.walk():
        for name in _LINKS:
            target = node.attributes.get(name)
            if target and not (name == "action" and node.attributes.get("method") == "post"):
                parts = urlsplit(urljoin(page, target))
                if not parts.netloc and parts.path.startswith("/"):
                    yield parts._replace(fragment="").geturl(), name == "hx-get"


def _sort_of(address: str) -> tuple[Any, ...] | None:
    """Pages of one sort differ in their keys alone; None for what is not ours."""
    parts = urlsplit(address)
    found = _resolved(parts.path)
    if found is None:
        return None
    named = tuple(value for value in found.kwargs.values() if isinstance(value, str))
    asked = tuple((name, re.sub(r"\d+", "", value)) for name, value in parse_qsl(parts.query))
    return found.url_name, named[:1], asked


class Walk:
    """Every different form on some pages and on those they lead to, and what addresses ask."""

    def __init__(self, client: Client, skip: frozenset[str] = frozenset()) -> None:
        self.client = client
        self.skip = skip
        self.forms: dict[tuple[str, frozenset[str], bool], Form] = {}
        self.asked: dict[str, set[str]] = {}
        """Names in the query of an address, by URL name."""
        self.answered: dict[str, int] = {}
        """The status of the first answer, by URL name."""
        self._seen: set[tuple[Any, ...]] = set()

    def read(self, addresses: Iterable[str]) -> None:
        waiting = [(address, False) for address in addresses]
        given = len(waiting)
        for place, (address, htmx) in enumerate(waiting):
            sort = _sort_of(address)
            if sort is None or sort[0] in self.skip:
                continue
            self.asked.setdefault(sort[0], set()).update(name for name, _ in sort[2])
            like_it = sum(one[0] == sort[0] for one in self._seen)
            if place >= given and ((*sort, htmx) in self._seen or like_it >= MOST_OF_A_PAGE):
                continue
            self._seen.add((*sort, htmx))
            answer = self.client.get(address, headers={"HX-Request": "true"} if htmx else {})
            assert answer.status_code < 500, address
            self.answered.setdefault(sort[0], answer.status_code)
            if answer.status_code < 400 and "html" in answer.get("Content-Type", ""):
                root = tree_of(answer.content.decode())
                self._find(root, address)
                waiting += links_in(root, address)

    def keep(self, form: Form) -> None:
        if form.url_name and form.url_name not in self.skip:
            self.forms.setdefault(form.kind, form)

    def _find(self, root: Node, address: str) -> None:
        for form in forms_in(root, address):
            self.keep(form)
        for node in root.walk():
            get = node.tag == "form" and node.attributes.get("method", "get").lower() == "get"
            if get and node.attributes.get("action"):
                sort = _sort_of(urljoin(address, node.attributes["action"]))
                if sort is not None:
                    names = {one.name for one in controls_in(node, root)}
                    self.asked.setdefault(sort[0], set()).update(names)


_ERROR = re.compile(r"\b(stop|error|errorlist|clash|caution)\b")


def says_something(root: Node) -> bool:
    """The page or part tells a person that something is wrong."""
    return any(
        node.words().strip()
        for node in root.walk()
        if node.attributes.get("role") == "alert" or _ERROR.search(node.attributes.get("class", ""))
    )
