"""The gallery of components: a picture of each, in light and in dark; a shop has no such page."""

import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Literal

import pytest
from django.conf import settings
from PIL import Image, ImageChops
from playwright.sync_api import Page

from shop.styles import SHEET
from tests.browser.conftest import SignIn
from tests.browser.served import copy_demo, start

pytestmark = pytest.mark.browser

LEAST_COLOURS = 3
PIECES = "[...document.querySelectorAll('[data-piece]')].map(one => one.dataset.piece)"
OF_THE_PAGE = {"base": "main", "inc/top_bar": ".top-bar"}
"""Components that are there on every page, and where."""


@pytest.fixture
def developing(demo_data: Path, tmp_path: Path) -> Iterator[str]:
    """The address of a demo shop served as a developer runs it."""
    folder = tmp_path / "developing"
    port = copy_demo(demo_data, folder)
    server = start(folder, port, LOOMBOOK_DEBUG="1")
    yield f"http://127.0.0.1:{port}"
    server.terminate()
    server.wait(20)


def _components() -> set[str]:
    listed = Path(settings.BASE_DIR / "static" / SHEET).read_text()
    return set(re.findall(r'@import url\("(.+)\.css"\) layer\(components\);', listed))


def _pictures(page: Page, scheme: Literal["light", "dark"]) -> dict[str, Image.Image]:
    """Each component, cut out of one picture of the whole page."""
    page.emulate_media(color_scheme=scheme)
    whole = Image.open(BytesIO(page.screenshot(full_page=True, animations="disabled")))
    marked = {name: f'[data-piece="{name}"]' for name in page.evaluate(PIECES)}
    cut = {}
    for name, where in {**marked, **OF_THE_PAGE}.items():
        box = page.locator(where).bounding_box()
        assert box, name
        left, top = round(box["x"]), round(box["y"])
        size = round(box["width"]), round(box["height"])
        cut[name] = whole.crop((left, top, left + size[0], top + size[1])).convert("RGB")
    return cut


def test_each_component_has_its_picture_in_light_and_in_dark(
    developing: str, enter: SignIn
) -> None:
    page = enter(developing, "odile")
    failed: list[str] = []
    page.on("response", lambda answer: failed.append(answer.url) if answer.status > 399 else None)
    page.goto("/gallery/")
    light, dark = _pictures(page, "light"), _pictures(page, "dark")
    assert set(light) == _components()
    empty = [
        f"{name} {scheme}"
        for scheme, pictures in (("light", light), ("dark", dark))
        for name, picture in pictures.items()
        if len(picture.getcolors(1 << 24)) < LEAST_COLOURS
    ]
    assert empty == []
    alike = [name for name in light if not ImageChops.difference(light[name], dark[name]).getbbox()]
    assert alike == []
    assert failed == []


def test_a_shop_has_no_gallery(shown: str, enter: SignIn) -> None:
    page = enter(shown, "odile")
    answer = page.goto("/gallery/")
    assert answer
    assert answer.status == 404
