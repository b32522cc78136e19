"""The style sheets as they are served: one file, put together when static files are collected.

`static/css/loombook.css` lists the files with `@import`, each in its layer. With DEBUG a browser
reads that list itself; in production the files stand in it, so that a page asks for one.
"""

import posixpath
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from django.core.files.base import ContentFile, File
from django.core.files.storage import Storage
from whitenoise.storage import CompressedManifestStaticFilesStorage

SHEET: Final = "css/loombook.css"
_IMPORT: Final = re.compile(r'@import url\("([^"]+)"\)(?: layer\(([\w-]+)\))?;\n')
_COMMENT: Final = re.compile(r"/\*.*?\*/\n*", re.DOTALL)
_ADDRESS: Final = re.compile(r'(?<=url\(")(?!data:)[^"]+')


def joined(sheet: Path) -> str:
    """The style sheet with every file it imports in its place, each in its layer; no comments."""

    def put(found: re.Match[str]) -> str:
        name, layer = found.groups()
        folder = posixpath.dirname(name)
        text = (sheet.parent / name).read_text(encoding="utf-8")
        text = _ADDRESS.sub(lambda one: posixpath.normpath(posixpath.join(folder, one[0])), text)
        return f"@layer {layer} {{\n{text}}}\n" if layer else text

    return _COMMENT.sub("", _IMPORT.sub(put, sheet.read_text(encoding="utf-8")))


class _Joined(Storage):
    """Where collecting finds the style sheet: its text with the imported files in it."""

    def __init__(self, sheet: Path) -> None:
        self.sheet = sheet

    def _open(self, name: str, mode: str = "rb") -> "File[bytes]":
        return ContentFile(joined(self.sheet).encode(), name)


class StaticFiles(CompressedManifestStaticFilesStorage):
    """Compressed files named by their content, and the style sheets as one of them."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._addresses: dict[str, str] = {}

    def url(self, name: str, force: bool = False) -> str:
        """The address of a file. What was collected stays as it is while a process serves."""
        known = self._addresses.get(name)
        if known is None or force:
            known = self._addresses[name] = super().url(name, force)
        return known

    def post_process(
        self, paths: dict[str, Any], dry_run: bool = False, **options: Any
    ) -> Iterator[Any]:
        if SHEET in paths:
            storage, path = paths[SHEET]
            paths = {**paths, SHEET: (_Joined(Path(storage.path(path))), path)}
        yield from super().post_process(paths, dry_run, **options)
