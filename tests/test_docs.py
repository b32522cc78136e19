"""What the documents name exists: paths, make targets, management commands, links and pictures."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps
from django.core.management import get_commands

ROOT = Path(__file__).resolve().parent.parent
DOCUMENTS = sorted(
    path
    for path in (
        *ROOT.glob("*.md"),
        *ROOT.glob("docs/**/*.md"),
        *ROOT.glob("wiring/*.md"),
        *ROOT.glob("deploy/**/*.md"),
    )
)
LARGEST_PICTURE_BYTES = 150_000
MOST_PICTURES = 12
FENCE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)
CODE = re.compile(r"`([^`\n]+)`")
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
PATH_LIKE = re.compile(r"^[\w.*-]+(/[\w.*-]+)*/?$")


def _documents() -> list[object]:
    return [pytest.param(path, id=str(path.relative_to(ROOT))) for path in DOCUMENTS]


def _said(path: Path) -> Iterator[str]:
    """Everything in code style: inline code, and the lines of fenced blocks."""
    text = path.read_text()
    for block in FENCE.findall(text):
        yield from (line.strip().removeprefix("$ ") for line in block.splitlines()[1:-1])
    yield from CODE.findall(FENCE.sub("", text))


def _make_targets() -> set[str]:
    return set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(), re.MULTILINE))


def _is_path(said: str) -> bool:
    return bool(PATH_LIKE.match(said)) and ("/" in said or said.endswith((".py", ".md", ".sh")))


@pytest.mark.parametrize("path", _documents())
def test_every_path_in_code_style_exists(path: Path) -> None:
    missing = [
        said
        for said in _said(path)
        if _is_path(said)
        and not said.startswith("data/")
        and not any(list(base.glob(said.rstrip("/"))) for base in (ROOT, path.parent))
    ]
    assert not missing


@pytest.mark.parametrize("path", _documents())
def test_every_command_exists(path: Path) -> None:
    targets, commands = _make_targets(), get_commands()
    wrong = []
    for said in _said(path):
        words = shlex.split(said, comments=True) if said.count("'") % 2 == 0 else said.split()
        for place, word in enumerate(words[:-1]):
            following = words[place + 1]
            if word == "make" and place == 0 and following not in targets:
                wrong.append(said)
            if word.endswith("manage.py") and following not in commands:
                wrong.append(said)
    assert not wrong


@pytest.mark.parametrize("path", _documents())
def test_every_link_leads_somewhere(path: Path) -> None:
    broken = [
        target
        for target in LINK.findall(FENCE.sub("", path.read_text()))
        if not target.startswith(("http", "mailto", "#"))
        and not (path.parent / target.partition("#")[0]).exists()
    ]
    assert not broken


ASVS_ROW = re.compile(
    r"^\| (\d+\.\d+\.\d+) \| ([12]) \| [^|]+ \| (holds|does not apply|open) \| ([^|]+) \| [^|]*\|$",
    re.MULTILINE,
)


def test_every_requirement_of_asvs_stands_once_with_tests_that_exist() -> None:
    """The numbers are those of the standard; what is said of each is told by whoever wrote it."""
    kept = (ROOT / "tests" / "reference" / "asvs_5_0_0_levels_1_2.csv").read_text().splitlines()
    wanted = [one.split(",") for one in kept if one[0].isdigit()]
    assert len(wanted) == 253, "70 of level 1 and 183 of level 2"
    text = (ROOT / "docs" / "asvs.md").read_text()
    rows = ASVS_ROW.findall(text)
    assert [[number, level] for number, level, *_ in rows] == wanted
    assert text.count("\n| ") - 2 * 17 == len(rows), "a row that is none"
    for state in ("holds", "does not apply", "open"):
        count = sum(one[2] == state for one in rows)
        assert f" {count} " in text[: text.index("## ")].replace("\n", " "), state
    assert not [one[0] for one in rows if not one[3].strip()]
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", text)
    assert text.count("::") == len(named)
    tests = {path: set(TEST.findall((ROOT / path).read_text())) for path, _ in named}
    assert [name for path, name in named if name not in tests[path]] == []


LOOKS_SECRET = re.compile(
    r"password$|(^|_)pin$|token_sha256|^sha256|sealed|secret|^session_|name_hash"
)
NO_SECRETS = {"SignIn.by_pin", "AdapterWire.from_pin", "AdapterWire.to_pin"}
"""How it was opened, and terminals of a plug."""


def test_every_table_has_a_level_and_every_secret_is_named() -> None:
    text = (ROOT / "docs" / "data.md").read_text().partition("## How long")[0]
    listed = [
        name
        for row in re.findall(r"^\| \w+ \| [^|]+ \| ([^|]+) \|$", text, re.MULTILINE)
        if row != "tables"
        for name in row.split(", ")
    ]
    models = [one for app in ("shop", "jobs") for one in apps.get_app_config(app).get_models()]
    assert sorted(listed) == sorted(one.__name__ for one in models)
    secrets = {
        f"{one.__name__}.{field.name}"
        for one in models
        for field in one._meta.concrete_fields
        if LOOKS_SECRET.search(field.name)
    }
    assert secrets - NO_SECRETS == set(re.findall(r"`(\w+\.\w+)`", text))


TEST = re.compile(r"^def (test_\w+)", re.MULTILINE)


def _words_of_the_product() -> str:
    sources = (
        path
        for top, kind in (("templates", "*.html"), ("jobs", "*.py"), ("shop", "*.py"))
        for path in (ROOT / top).rglob(kind)
        if "migrations" not in path.parts
    )
    return "\n".join(path.read_text() for path in sources)


def test_the_guide_names_buttons_and_pages_by_the_words_that_stand_on_them() -> None:
    named = set(re.findall(r"\*\*([^*]+)\*\*", (ROOT / "docs" / "guide.md").read_text()))
    words = _words_of_the_product()
    assert {"Hand over to customer", "Hand to review", "All of these work"} <= named
    assert [name for name in sorted(named) if name not in words] == []
    assert "Send the PDF" not in words


def test_pictures_are_few_small_and_all_shown() -> None:
    pictures = sorted((ROOT / "docs" / "img").glob("*"))
    shown = "".join(path.read_text() for path in DOCUMENTS)
    assert len(pictures) <= MOST_PICTURES
    assert [p.name for p in pictures if p.stat().st_size > LARGEST_PICTURE_BYTES] == []
    assert [p.name for p in pictures if f"img/{p.name}" not in shown] == []
