"""What of our own words the pages of the demo shop still say in English in another language.

`python -m tests.left_in_english de` makes a demo shop of its own, reads its pages and lists each
text of ours that has another translation, with pages on which it stands. What somebody typed in
the same words is listed too: it is a list to read, not one that must be empty. The three papers
are held in every test run (`tests/jobs/test_sheet_languages.py`).
"""

import gettext
import os
import re
import sys
import tempfile
from collections import defaultdict
from html import unescape
from typing import Final

from tests.catalogue import LANGUAGES, path_of

WORDS: Final = re.compile(r"[^\W\d_]{3,}")
UNREAD: Final = re.compile(r"<(script|style|textarea|option)\b.*?</\1>", re.DOTALL)
HEARD: Final = re.compile(r'(?:aria-label|alt|title|data-confirm|placeholder)="([^"]*)"')


def pieces_of(page: str) -> set[str]:
    """The pieces of a page that have words, without the marks around them."""
    page = UNREAD.sub("\n", page)
    text = unescape("\n".join([re.sub(r"<[^>]*>", "\n", page), *HEARD.findall(page)]))
    pieces = re.split(r"\n|[;:()·,]|\. ", text)
    return {one for piece in pieces if WORDS.search(one := piece.strip(" .,“”\u00a0"))}


def translated(language: str) -> dict[str, set[str]]:
    """Each text of ours with what it is called in the language, in small letters."""
    with path_of(language, "mo").open("rb") as file:
        kept = vars(gettext.GNUTranslations(file))["_catalog"]
    found: dict[str, set[str]] = defaultdict(set)
    for one, said in kept.items():
        text = one[0] if isinstance(one, tuple) else one
        found[text.rpartition("\x04")[2].strip(" .:,").lower()].add(said.strip(" .:,").lower())
    return found


def left(language: str) -> dict[str, set[str]]:
    """What is left in English, with the addresses of its pages."""
    from django.conf import settings
    from django.core.management import call_command
    from django.test import Client
    from django.test.utils import override_settings

    from shop.models import StaffMember
    from tests.test_demo import pages

    call_command("migrate", verbosity=0)
    call_command("load_demo", verbosity=0)
    StaffMember.objects.filter(username="odile").update(language=language)
    client = Client(HTTP_HOST="localhost")
    client.force_login(StaffMember.objects.get(username="odile"))
    texts, found = translated(language), defaultdict(set)
    plain = {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"}
    with override_settings(STORAGES={**settings.STORAGES, "staticfiles": plain}):
        for address, page in pages(client):
            for piece in pieces_of(page):
                small = piece.lower()
                if small in texts and small not in texts[small]:
                    found[piece].add(address)
    return found


if __name__ == "__main__":
    import django

    if sys.argv[1:] not in [[one] for one in LANGUAGES]:
        sys.exit(f"Say which language: {' or '.join(LANGUAGES)}.")
    with tempfile.TemporaryDirectory() as folder:
        os.environ["LOOMBOOK_DATA"] = folder
        os.environ.pop("DATABASE_URL", None)
        os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
        django.setup()
        for piece, places in sorted(left(sys.argv[1]).items()):
            print(f"{piece}: {', '.join(sorted(places)[:3])}")
