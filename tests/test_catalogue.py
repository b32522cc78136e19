"""Everything that people read can be said in Spanish and German: nothing was left behind in
English, nothing is half translated, and what programs read is the same in every language."""

import re
from collections.abc import Iterator
from pathlib import Path

import polib
import pytest
from django.template.base import Lexer, TokenType
from django.utils.translation.trans_real import translation

from jobs.labels import content, render
from jobs.setups import facts
from jobs.views import numbers
from jobs.views.setups import apply
from shop.catalogue import product_forms
from tests import catalogue

TEMPLATES = catalogue.ROOT / "templates"

NOT_YET: frozenset[str] = frozenset()
"""Folders of templates whose words are not marked yet. None is added; a new one is marked."""

NEVER = {"gallery": "shown while programming alone"}

HEARD = "|".join(
    (
        "alt",
        "aria-label",
        "data-confirm",
        "data-confirm-yes",
        "data-name",
        "placeholder",
        "title",
        "data-empty",
        "data-label",
    )
)
PARAMETERS = "title|text|label|back_label|action_label|meta"
NAMES = {
    "Loombook",
    "PDF",
    "VIN",
    "PIN",
    "AWG",
    "USB",
    "SHA",
    "EQ",
    "OK",
    "kHz",
    "Hz",
    "dB",
    "dBFS",
    "mm",
    "km",
}
"""Words that are the same in every language."""


@pytest.fixture(scope="module")
def wanted() -> set[catalogue.Message]:
    return set(catalogue.messages())


@pytest.mark.parametrize("language", catalogue.LANGUAGES)
def test_the_files_hold_what_is_to_be_translated_and_nothing_else(
    language: str, wanted: set[catalogue.Message]
) -> None:
    """Else: `python -m tests.catalogue`, and translate what it says is open."""
    held = {catalogue.key_of(one) for one in catalogue.catalogue(language)}
    assert held == wanted


@pytest.mark.parametrize("language", catalogue.LANGUAGES)
def test_every_text_is_translated_whole(language: str) -> None:
    wrong = [
        (one.msgid, said)
        for one in catalogue.catalogue(language)
        for said in (one.msgstr_plural.values() if one.msgid_plural else [one.msgstr])
        if one.fuzzy or not _is_whole(one, said)
    ]
    assert wrong == []


PLACE = re.compile(r"%\(\w+\)[sd]|\{\w*\}|%%")
TAG = re.compile(r"</?\w[^>]*>|&\w+;")


def _is_whole(entry: polib.POEntry, said: str) -> bool:
    """It says something, names the same things and keeps its elements and its breaks."""
    texts = [entry.msgid, entry.msgid_plural] if entry.msgid_plural else [entry.msgid]
    return (
        bool(said.strip())
        and any(sorted(PLACE.findall(said)) == sorted(PLACE.findall(one)) for one in texts)
        and sorted(TAG.findall(said)) == sorted(TAG.findall(entry.msgid))
        and (said[0] == " ") == (entry.msgid[0] == " ")
        and (said[-1] == " ") == (entry.msgid[-1] == " ")
    )


def test_what_is_half_translated_is_seen() -> None:
    entry = polib.POEntry(msgid="%(job)s is <b>ready</b>")
    assert _is_whole(entry, "%(job)s ist <b>fertig</b>")
    for wrong in ("", "ist <b>fertig</b>", "%(job)s ist fertig", "%(jop)s ist <b>fertig</b>"):
        assert not _is_whole(entry, wrong)


@pytest.mark.parametrize("language", catalogue.LANGUAGES)
def test_what_the_program_reads_was_made_from_the_file(language: str) -> None:
    """Else: `python -m tests.catalogue`."""
    compiled = polib.mofile(str(catalogue.path_of(language, "mo")))
    assert {
        (*catalogue.key_of(one), one.msgstr, *one.msgstr_plural.values()) for one in compiled
    } == {
        (*catalogue.key_of(one), one.msgstr, *one.msgstr_plural.values())
        for one in catalogue.catalogue(language)
    }
    written = catalogue.scripts_of(language).read_text(encoding="utf-8")
    assert written == catalogue.words_of_scripts(language)


def test_the_program_speaks_each_language() -> None:
    for language in catalogue.LANGUAGES:
        assert translation(language).gettext("Your install sheet") != "Your install sheet"


# Words in templates that nobody can translate


SENTENCE = re.compile(r"^[A-Z][a-z]+( |$)|[a-z]{2,} [a-z]{2,}")
"""What looks like words of ours rather than like a name of the code."""


def _given_to_filters(contents: str) -> list[str]:
    """Words that a filter puts beside a value: `job|stringformat:"s: copy it"`."""
    given = re.findall(r'\|(?:add|stringformat|yesno):"([^"]*)"', contents)
    return [text for text in given if SENTENCE.search(text)]


def left_in(source: str) -> list[str]:
    """The words of a template that stand outside every mark."""
    kept, inside = [], False
    for token in Lexer(source).tokenize():
        if token.token_type == TokenType.BLOCK:
            name = token.contents.split()[0]
            inside = (name in {"blocktranslate", "comment"}) or (
                inside and name not in {"endblocktranslate", "endcomment"}
            )
            if name == "include":
                kept += [
                    f">{text}<"
                    for name, text in re.findall(r'\b(\w+)="([^"]*)"', token.contents)
                    if re.fullmatch(PARAMETERS, name) or SENTENCE.search(text)
                ]
            kept += [f">{text}<" for text in _given_to_filters(token.contents)]
            kept.append("\x00" if name not in {"endblocktranslate"} else "")
        elif token.token_type == TokenType.TEXT and not inside:
            kept.append(token.contents)
        elif token.token_type == TokenType.VAR and not inside:
            kept += [f">{text}<" for text in re.findall(r'\|default:"([^"]*)"', token.contents)]
            kept += [f">{text}<" for text in _given_to_filters(token.contents)]
            kept.append("\x00")
    text = "".join(kept)
    text = re.sub(r"<(script|style|pre)\b.*?</\1>|<!--.*?-->", "", text, flags=re.DOTALL)
    heard = re.findall(rf'\s(?:{HEARD})="([^"]*)"', text)
    shown = re.sub(r'<(?:"[^"]*"|\'[^\']*\'|[^>"\'])*>', " ", text)
    return [
        word
        for word in re.findall(r"[^\W\d_]{2,}", " ".join([re.sub(r"&\w+;", " ", shown), *heard]))
        if word not in NAMES
    ]


def test_a_word_that_is_not_marked_is_seen() -> None:
    marked = '{% translate "Save" %} {% blocktranslate %}one {{ a }}{% endblocktranslate %}'
    assert left_in(f'<p class="x" title="{marked}">{marked} 4&nbsp;mm</p>') == []
    for wrong in (
        "<b>Save</b>",
        '<p title="Save">4</p>',
        '{{ a|default:"Save" }}',
        '{% include "x.html" with title="Save" %}',
        '{% include "x.html" with add="Save" %}',
        '{{ one|add:"Save" }}',
        "{% if a %}Save{% endif %}",
    ):
        assert left_in(wrong) == ["Save"]


def _templates() -> Iterator[Path]:
    for path in sorted(TEMPLATES.rglob("*.html")):
        if path.relative_to(TEMPLATES).parts[0] not in NOT_YET | NEVER.keys():
            yield path


@pytest.mark.parametrize("path", [*_templates()], ids=lambda path: str(path.relative_to(TEMPLATES)))
def test_no_template_says_what_nobody_can_translate(path: Path) -> None:
    source = re.sub(
        r"(\{% block page_class %\}).*?(?=\{%)", r"\1", path.read_text(encoding="utf-8")
    )
    assert left_in(source) == []


# Words in scripts that nobody can translate

SAYS = re.compile(r"(^|[ >])[A-Z][a-z]{2,}(?![-A-Z])|[a-z]{3,} [a-z]{2,}")
CODE = re.compile(
    r"use strict|^[A-Z][a-z]+$|^(btn|said|svg|tbody|dialog|waiting|photo)\b|^[.#]|auto auto|^<"
    r"|^No answer of our server|^The decoder did not load \(|^(Loombook|Content|Retry)-"
    r"|^Arrow(Up|Down)$|^Code\d+$|^DataMatrix$|^BroadcastChannel$|^InvalidStateError$"
)
"""Names of keys, headers, classes and kinds of code, and what only another script reads."""


def left_in_script(source: str) -> list[str]:
    """The texts of a script that look like words and that it does not look up."""
    lines = (line for line in source.splitlines() if not line.strip().startswith(("//", "*", "/*")))
    code = catalogue.TOLD.sub("told(", "\n".join(lines))
    texts = [one or two for one, two in re.findall(r'"([^"\n]*)"|`([^`]*)`', code)]
    return [
        text
        for text in texts
        if SAYS.search(re.sub(r"\$\{[^}]*\}", "", text)) and not CODE.search(text)
    ]


def test_a_text_of_a_script_that_is_not_looked_up_is_seen() -> None:
    assert left_in_script('say(told("Not saved", {}), "error"); // Not so') == []
    assert left_in_script('say("Not saved")') == ["Not saved"]
    assert left_in_script("say(`${n} entries are here`)") == ["${n} entries are here"]


def test_no_script_says_what_nobody_can_translate() -> None:
    left = {
        path.name: texts
        for path in sorted(catalogue.SCRIPTS.glob("*.js"))
        if not path.name.startswith("words")
        and (texts := left_in_script(path.read_text(encoding="utf-8")))
    }
    assert left == {}


def test_titles_that_stand_in_tables_of_the_code_can_be_said_in_every_language(
    wanted: set[catalogue.Message],
) -> None:
    """A template tells them from a variable, so that nothing else would miss their mark."""
    titles = {
        *(title for _, title in apply.GROUPS),
        *(text for _, *texts in numbers.LISTS for text in texts),
        *content.KINDS.values(),
        *facts.CALLED.values(),
        *render.STYLES.values(),
        *(title for groups in product_forms.GROUPS.values() for title, _ in groups),
    }
    assert {one for one in titles if (one, "") not in wanted} == set()
