"""What there is to translate, and whether it is: the files of `shop/locale`.

`python -m tests.catalogue` writes them anew from templates, code and tables: what is new stands
there without a translation, what is gone is left out, and the compiled files follow.
"""

import ast
import importlib
import json
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Final

import polib

from tests import composed

ROOT: Final = Path(__file__).resolve().parent.parent
LOCALE: Final = ROOT / "shop" / "locale"
LANGUAGES: Final = ("de", "es")
TOPS: Final = ("jobs", "shop")
SINGLE: Final = frozenset({"gettext", "gettext_lazy", "gettext_noop", "kept", "_"})
PLURAL: Final = frozenset({"ngettext", "ngettext_lazy"})
SCRIPTS: Final = ROOT / "static" / "js"
TOLD: Final = re.compile(r'''\btold\(\s*"((?:[^"\\]|\\.)*)"''')
MARKED: Final = re.compile(r"""\b_\((?:"((?:[^"\\]|\\.)*)"|'((?:[^'\\]|\\.)*)')\)""")

Message = tuple[str, str]
"""A text and, where it counts something, its plural; else nothing. Where the same English means two
things, what it is about stands before it, as in compiled files."""

ABOUT: Final = "\x04"


def path_of(language: str, ending: str) -> Path:
    return LOCALE / language / "LC_MESSAGES" / f"django.{ending}"


def messages() -> dict[Message, set[str]]:
    """Everything that is to be translated, with the files in which it stands."""
    found: dict[Message, set[str]] = {}
    for place, message in (
        *of_templates(),
        *of_code(),
        *of_scripts(),
        *of_tables(),
        *of_sums(),
    ):
        found.setdefault(message, set()).add(place)
    return found


def of_templates() -> Iterator[tuple[str, Message]]:
    """The messages of each template, as it asks for them once it is compiled."""
    for path in sorted((ROOT / "templates").rglob("*.html")):
        place = str(path.relative_to(ROOT))
        for message in of_template(str(path.relative_to(ROOT / "templates"))):
            yield place, message


def of_template(name: str) -> Iterator[Message]:
    from django.template.base import Lexer
    from django.template.loader import get_template
    from django.templatetags.i18n import BlockTranslateNode, TranslateNode

    loaded: Any = get_template(name)
    template = loaded.template
    for node in template.nodelist.get_nodes_by_type(BlockTranslateNode):
        single, _ = node.render_token_list(node.singular)
        many = node.render_token_list(node.plural)[0] if node.plural else ""
        yield single, many
    for node in template.nodelist.get_nodes_by_type(TranslateNode):
        said = node.filter_expression.var
        if isinstance(getattr(said, "literal", None), str):
            about = f"{node.message_context.var}{ABOUT}" if node.message_context else ""
            yield about + said.literal.replace("%", "%%"), ""
    for token in Lexer(template.source).tokenize():
        if token.token_type.name in {"BLOCK", "VAR"}:
            for found in MARKED.finditer(token.contents):
                yield re.sub(r"\\(.)", r"\1", found[1] or found[2]), ""


def of_code() -> Iterator[tuple[str, Message]]:
    """The first texts of each call of gettext in the code."""
    for top in TOPS:
        for path in sorted((ROOT / top).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call) and (message := of_call(node)):
                    yield str(path.relative_to(ROOT)), message


def of_call(call: ast.Call) -> Message | None:
    name = call.func.id if isinstance(call.func, ast.Name) else ""
    count = 1 if name in SINGLE else 2 if name in PLURAL else 0
    texts = [one.value for one in call.args[:count] if isinstance(one, ast.Constant)]
    if not count or len(texts) < count:
        return None
    return str(texts[0]), str(texts[1]) if count == 2 else ""


def of_scripts() -> Iterator[tuple[str, Message]]:
    """What scripts say; the files with their translations call nothing."""
    for path in sorted(SCRIPTS.glob("*.js")):
        for text in TOLD.findall(path.read_text(encoding="utf-8")):
            yield str(path.relative_to(ROOT)), (json.loads(f'"{text}"'), "")


def words_of_scripts(language: str) -> str:
    """The file with which scripts speak a language."""
    wanted = {single for _, (single, _) in of_scripts()}
    words = {
        one.msgid: one.msgstr
        for one in catalogue(language)
        if one.msgid in wanted and not (one.msgctxt or one.msgid_plural) and one.msgstr
    }
    lines = json.dumps(words, ensure_ascii=False, indent=2, sort_keys=True)
    return (
        '"use strict";\n'
        "// What scripts say in this language, read by words.js."
        " Written by `python -m tests.catalogue`.\n"
        f"window.words = {lines};\n"
    )


def scripts_of(language: str) -> Path:
    return SCRIPTS / f"words_{language}.js"


def of_tables() -> Iterator[tuple[str, Message]]:
    """What stands in tables of the code and is translated where it is shown."""
    for place, texts in tables().items():
        for text in texts:
            if re.search(r"[^\W\d_]{2}", text):
                yield place, (text, "")


def of_sums() -> Iterator[tuple[str, Message]]:
    """What the sums compose, as patterns."""
    for text, (place, _) in composed.composed().items():
        yield place, (text, "")


def tables() -> dict[str, Iterable[str]]:
    """Texts by where they stand."""
    told = importlib.import_module("tests.told_in_tables")
    found: dict[str, Iterable[str]] = told.tables()
    return found


def catalogue(language: str) -> polib.POFile:
    return polib.pofile(str(path_of(language, "po")), wrapwidth=100)


def key_of(entry: polib.POEntry) -> Message:
    about = f"{entry.msgctxt}{ABOUT}" if entry.msgctxt else ""
    return about + entry.msgid, entry.msgid_plural


def write(language: str) -> tuple[int, int]:
    """Write both files of a language anew; how many texts there are, and how many are open."""
    path = path_of(language, "po")
    path.parent.mkdir(parents=True, exist_ok=True)
    before = {}
    if path.exists():
        before = {key_of(one): one for one in catalogue(language)}
    file = polib.POFile(wrapwidth=100)
    file.metadata = {
        "Project-Id-Version": "Loombook",
        "Language": language,
        "MIME-Version": "1.0",
        "Content-Type": "text/plain; charset=UTF-8",
        "Content-Transfer-Encoding": "8bit",
        "Plural-Forms": "nplurals=2; plural=(n != 1);",
    }
    for (single, many), places in sorted(messages().items()):
        kept = before.get((single, many))
        about, _, text = single.rpartition(ABOUT)
        entry = polib.POEntry(msgctxt=about or None, msgid=text, msgid_plural=many)
        entry.occurrences = [(place, "") for place in sorted(places)]
        if "%(" in single:
            entry.flags = ["python-format"]
        if many:
            entry.msgstr_plural = dict(kept.msgstr_plural) if kept else {0: "", 1: ""}
        else:
            entry.msgstr = kept.msgstr if kept else ""
        file.append(entry)
    file.save(str(path))
    file.save_as_mofile(str(path_of(language, "mo")))
    scripts_of(language).write_text(words_of_scripts(language), encoding="utf-8")
    return len(file), sum(not one.translated() for one in file)


def main() -> None:
    import os

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")
    django.setup()
    composed.WRITTEN.write_text(composed.written(), encoding="utf-8")
    for language in LANGUAGES:
        count, open_ones = write(language)
        print(f"{language}: {count} texts, {open_ones} without a translation")


if __name__ == "__main__":
    main()
