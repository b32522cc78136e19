"""Templates are laid out for people; what is sent carries none of their layout.

This is done once, when a template is loaded. In text, a line break with the indentation around it
is one space where a sentence goes on across it, that is between words, values, `{% translate %}`
and elements that stand in a line of text (`<b>`, `<a>`); everywhere else it vanishes: beside any
other `{% %}`, between two elements, at the inner edge of an element, beside a block. A space that
is wanted there is written on one line. Inside a tag a run of whitespace is one space. What stands
in `<pre>`, `<textarea>`, `<script>` and `<style>` is kept, and so is every template that is not
`.html`.
"""

import re
from collections.abc import Iterator
from typing import Final, NamedTuple

from django.template.base import Origin, tag_re
from django.template.loaders import filesystem

KEPT: Final = frozenset({"pre", "textarea", "script", "style"})
EMPTY: Final = frozenset({"img", "input"})
IN_TEXT: Final = EMPTY | frozenset(
    [
        "a",
        "abbr",
        "b",
        "button",
        "cite",
        "code",
        "del",
        "dfn",
        "em",
        "i",
        "ins",
        "kbd",
        "label",
        "mark",
        "output",
        "q",
        "s",
        "select",
        "small",
        "span",
        "strong",
        "sub",
        "sup",
        "svg",
        "text",
        "time",
        "tspan",
        "u",
        "var",
    ]
)
_SPACE: Final = r"(?P<space>[ \t\r\n]+)"
_TEXT: Final = re.compile(rf"{_SPACE}|(?P<start></?(?:[a-zA-Z][\w-]*|\Z))|(?P<word>[^ \t\r\n<]+|<)")
_TAG: Final = re.compile(rf"{_SPACE}|(?P<end>/?>)|(?P<quote>[\"'])|(?P<inside>[^ \t\r\n>\"'/]+|/)")
_QUOTED: Final = {
    mark: re.compile(rf"{_SPACE}|(?P<quote>{mark})|(?P<inside>[^ \t\r\n{mark}]+)") for mark in "\"'"
}


class Part(NamedTuple):
    """A piece of a template. Its kind: word, opens and closed (an element in a line of text),
    begins and ended (a sentence to be translated), edge (a block or `{% %}`), space (in text), gap
    (inside a tag), end (of a tag), inside, kept.
    """

    kind: str
    text: str


_TRANSLATED: Final = {
    "translate": "word",
    "blocktranslate": "begins",
    "endblocktranslate": "ended",
}


def _kind(piece: str) -> str:
    """Of a value or tag of the template language in text."""
    if piece.startswith("{{"):
        return "word"
    name = piece[2:-2].split()[:1] if piece.startswith("{%") else []
    return _TRANSLATED.get("".join(name), "edge")


def parts(source: str) -> Iterator[Part]:
    """The pieces of a template, in order and complete."""
    tag = quote = kept = ""
    for number, piece in enumerate(tag_re.split(source)):
        at = 0
        while at < len(piece):
            if kept and not tag:
                end = re.compile(rf"</{kept}\b", re.IGNORECASE).search(piece, at)
                stop = end.start() if end and not number % 2 else len(piece)
                yield Part("kept", piece[at:stop])
                at, kept = stop, "" if stop < len(piece) else kept
                continue
            if number % 2:
                yield Part("inside" if tag else _kind(piece), piece)
                break
            match = (_QUOTED[quote] if quote else _TAG if tag else _TEXT).match(piece, at)
            assert match is not None
            at, kind = match.end(), str(match.lastgroup)
            if kind == "start":
                tag = match[0][1:].lower() or "{{ }}"
                kept = tag if tag in KEPT else ""
                kind = "opens" if tag in IN_TEXT else "edge"
            elif kind == "end":
                closed = tag[0] == "/" or tag in EMPTY
                kind = "closed" if closed and tag.strip("/") in IN_TEXT else "edge"
                tag = ""
            elif kind == "quote":
                kind, quote = "inside", "" if quote else match[0]
            elif kind == "space" and tag:
                kind = "gap"
            yield Part(kind, match[0])


_GOES_ON: Final = {
    *((before, after) for before in ("word", "ended") for after in ("word", "opens", "begins")),
    *(("closed", after) for after in ("word", "begins")),
}


def without_layout(source: str) -> str:
    """The source of a template as it is compiled."""
    outside = Part("edge", "")
    line = [outside, *parts(source), outside]
    pieces = []
    for before, part, after in zip(line, line[1:], line[2:], strict=False):
        goes_on = (before.kind, after.kind) in _GOES_ON or "\n" not in part.text
        if part.kind == "space":
            pieces.append(" " if goes_on else "")
        elif part.kind == "gap":
            pieces.append(" " if after.kind == "inside" else "")
        else:
            pieces.append(part.text)
    return "".join(pieces)


class Loader(filesystem.Loader):
    """Reads templates from the folders of the settings, without their layout."""

    def get_contents(self, origin: Origin) -> str:
        contents = super().get_contents(origin)
        return without_layout(contents) if str(origin.name).endswith(".html") else contents
