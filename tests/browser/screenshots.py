"""Makes the pictures of the user guide: `python -m tests.browser.screenshots`."""

import io
import re
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.served import ROOT, make_demo, serving, sign_in
from tests.conftest import CHROMIUM, CHROMIUM_ARGUMENTS, TABLET

FOLDER = ROOT / "docs" / "img"
COLOURS = 96


class Picture(NamedTuple):
    """One picture: who sees which page, and what is done before it is taken."""

    name: str
    username: str
    path: str
    prepare: Callable[[Page], Any] = lambda page: None


def _to(text: str) -> Callable[[Page], Any]:
    """Scroll until these words stand near the top."""

    def scroll(page: Page) -> None:
        place = page.get_by_text(text).first
        place.evaluate("node => window.scrollBy(0, node.getBoundingClientRect().top - 90)")

    return scroll


def _mark_the_car(page: Page) -> None:
    car = page.get_by_role("img", name=re.compile("car from above"))
    car.click(position={"x": 60, "y": 160})
    page.get_by_label("Note on this mark").fill("12 cm, old")
    _to("Choose the kind")(page)


PICTURES = (
    Picture("board", "maud", "/board/"),
    Picture("book", "maud", "/book/", _to("Bay and time")),
    Picture("find", "maud", "/find/?q=van"),
    Picture("check-in", "maud", "/jobs/1013/check-in/", _mark_the_car),
    Picture("before", "idris", "/jobs/1008/bay/before/"),
    Picture("channels", "idris", "/jobs/1008/bay/channels/"),
    Picture("power", "idris", "/jobs/1008/bay/power/", _to("Power path")),
    Picture("findings", "idris", "/jobs/1008/bay/findings/"),
    Picture("tuning", "idris", "/jobs/1006/bay/tuning/curves/"),
    Picture("review", "odile", "/jobs/1007/review/"),
    Picture("sheet", "odile", "/sheets/1001-1/"),
    Picture("setup", "idris", "/jobs/1013/apply-setup/1/"),
)


def _small(png: bytes) -> bytes:
    """The picture with few colours, which is all a screen of ours has."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    out = io.BytesIO()
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def _take(browser: Browser, address: str) -> None:
    pages: dict[str, Page] = {}
    for picture in PICTURES:
        if picture.username not in pages:
            context = browser.new_context(viewport=TABLET, has_touch=True, base_url=address)
            pages[picture.username] = sign_in(context, address, picture.username)
        page = pages[picture.username]
        answer = page.goto(picture.path)
        assert answer
        assert answer.status == 200, picture.path
        picture.prepare(page)
        path = FOLDER / f"{picture.name}.png"
        path.write_bytes(_small(page.screenshot()))
        print(f"{path.relative_to(ROOT)} {path.stat().st_size // 1000} kB")


def main() -> None:
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        original = Path(name) / "demo"
        original.mkdir()
        make_demo(original)
        browser = play.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        with serving(original, Path(name) / "served") as address:
            _take(browser, address)
        browser.close()


if __name__ == "__main__":
    sys.exit(main())
