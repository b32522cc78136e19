"""The style sheet: its list of files, and the one file it is served as."""

import re
from pathlib import Path

from django.conf import settings
from django.core.files.storage import FileSystemStorage

from shop.styles import SHEET, StaticFiles, joined

STATIC = Path(settings.BASE_DIR) / "static"
FOLDER = (STATIC / SHEET).parent


def test_the_list_names_every_file_once() -> None:
    listed = re.findall(r'@import url\("([^"]+)"\)', (STATIC / SHEET).read_text())
    files = [path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.css")]
    assert sorted([*listed, Path(SHEET).name]) == sorted(files)


def test_the_joined_sheet_holds_the_files_in_their_layers(tmp_path: Path) -> None:
    (tmp_path / "inc").mkdir()
    (tmp_path / "inc" / "pad.css").write_text('.pad {\n  mask: url("../../img/mark.svg");\n}\n')
    (tmp_path / "plain.css").write_text(
        '/* Links,\n * all. */\n\na {\n  mask: url("data:,x");\n}\n'
    )
    sheet = tmp_path / "all.css"
    sheet.write_text(
        '@layer one, two;\n@import url("inc/pad.css") layer(two);\n@import url("plain.css");\n'
    )
    assert joined(sheet) == (
        '@layer one, two;\n@layer two {\n.pad {\n  mask: url("../img/mark.svg");\n}\n}\n'
        'a {\n  mask: url("data:,x");\n}\n'
    )


def test_collecting_makes_one_file_of_them(tmp_path: Path) -> None:
    """No import is left, and each picture is named by its content."""
    source = FileSystemStorage(STATIC)
    names = [SHEET, *(f"img/{path.name}" for path in (STATIC / "img").iterdir())]
    collected = StaticFiles(location=tmp_path, base_url="/static/")
    for name in names:
        collected.save(name, source.open(name))
    paths = {name: (source, name) for name in names}
    list(collected.post_process(paths))
    text = (tmp_path / collected.stored_name(SHEET)).read_text()
    assert "@import" not in text
    assert "--paper:" in text
    assert ".install-sheet" in text
    pictures = re.findall(r'url\("([^"]+)"\)', text)
    assert pictures
    assert all((tmp_path / "css" / one).exists() for one in pictures)
    assert all(re.search(r"\.[0-9a-f]{12}\.", one) for one in pictures)
