"""Camera work in a real browser: codes before a camera that plays a file, photos over bad wifi."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import segno
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, BrowserType, Page, Route, expect

from tests.browser.conftest import SignIn, sign_in
from tests.conftest import CHROMIUM, CHROMIUM_ARGUMENTS, TABLET

pytestmark = pytest.mark.browser

VIN = "1XWTA3E54SL020011"
FRAME = (1280, 720)

ELEMENTS = """
100100001 001100001 101100000 000110001 100110000 001110000 000100101 100100100 001100100
000110100 100001001 001001001 101001000 000011001 100011000 001011000 000001101 100001100
001001100 000011100 100000011 001000011 101000010 000010011 100010010 001010010 000000111
100000110 001000110 000010110 110000001 011000001 111000000 010010001 110010000 011010000
010010100
"""
CODE_39 = dict(zip("1234567890ABCDEFGHIJKLMNOPQRSTUVWXYZ*", ELEMENTS.split(), strict=True))
"""Wide (1) and narrow bars and spaces of each character: ISO/IEC 16388, table 1, from memory."""


def code_39(text: str, narrow: int = 3) -> Image.Image:
    """The bars of a Code 39 label, wide ones three times as wide as narrow ones."""
    image = Image.new("L", (1200, 220), "white")
    draw = ImageDraw.Draw(image)
    x = 10 * narrow
    for character in f"*{text}*":
        for place, element in enumerate(CODE_39[character]):
            wide = narrow * (3 if element == "1" else 1)
            if place % 2 == 0:
                draw.rectangle((x, 20, x + wide - 1, 200), fill="black")
            x += wide
        x += narrow
    return image


def qr(text: str) -> Image.Image:
    out = io.BytesIO()
    segno.make(text, micro=False).save(out, kind="png", scale=9)
    return Image.open(out)


def film(picture: Image.Image, path: Path) -> Path:
    """A camera's view of a picture, as motion JPEG."""
    frame = Image.new("RGB", FRAME, "grey")
    place = ((FRAME[0] - picture.width) // 2, (FRAME[1] - picture.height) // 2)
    frame.paste(picture.convert("RGB"), place)
    out = io.BytesIO()
    frame.save(out, "JPEG", quality=90)
    path.write_bytes(out.getvalue() * 4)
    return path


Before = Callable[[Image.Image, str, str], Page]


@pytest.fixture
def before_camera(browser_type: BrowserType, tmp_path: Path) -> Iterator[Before]:
    """`before_camera(picture, address, "maud")`: a signed-in page whose camera sees the picture."""
    browsers: list[Browser] = []

    def look(picture: Image.Image, address: str, username: str) -> Page:
        file = film(picture, tmp_path / "camera.mjpeg")
        fake = [
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={file}",
        ]
        browser = browser_type.launch(executable_path=CHROMIUM, args=[*CHROMIUM_ARGUMENTS, *fake])
        browsers.append(browser)
        context = browser.new_context(viewport=TABLET, has_touch=True, base_url=address)
        return sign_in(context, address, username)

    yield look
    for browser in browsers:
        browser.close()


def test_the_desk_scans_a_vin_and_its_import_prefix_is_taken_off(
    shown: str, before_camera: Before
) -> None:
    page = before_camera(code_39(f"I{VIN}"), shown, "maud")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto("/book/")
    page.get_by_role("button", name="New vehicle").click()
    assert not [url for url in asked if ".wasm" in url], "the decoder waits for the first scan"
    page.get_by_role("button", name="Scan", exact=True).click()
    dialog = page.get_by_role("dialog", name="Scan the VIN")
    expect(dialog.get_by_text(VIN, exact=True)).to_be_visible()
    expect(dialog).to_contain_text("check digit does not agree")
    dialog.get_by_role("button", name="Use it").click()
    field = page.get_by_label("VIN", exact=False).first
    expect(field).to_have_value(VIN)
    expect(page.get_by_role("region", name="Vehicle")).to_contain_text("check digit")
    assert all(url.startswith((shown, "blob:", "data:")) for url in asked), (
        "nothing leaves the shop"
    )


def test_a_key_tag_opens_its_job_at_this_address(shown: str, before_camera: Before) -> None:
    page = before_camera(qr("https://elsewhere.example/jobs/1008/"), shown, "idris")
    page.goto("/find/")
    page.get_by_role("button", name="Key tag").click()
    page.wait_for_url(f"{shown}/jobs/1008/")


def test_without_a_camera_a_photo_of_the_code_does(
    shown: str, enter: SignIn, tmp_path: Path
) -> None:
    page = enter(shown, "idris")
    page.goto("/find/")
    page.get_by_role("button", name="Key tag").click()
    dialog = page.get_by_role("dialog", name="Scan the key tag")
    expect(dialog).to_contain_text("photo of the code")
    qr("J1008").save(tmp_path / "tag.png")
    dialog.get_by_label("Photo of the code").set_input_files(tmp_path / "tag.png")
    page.wait_for_url(f"{shown}/jobs/1008/")


def test_a_photo_over_bad_wifi_is_kept_once_and_drawn_on(
    served: str, enter: SignIn, tmp_path: Path
) -> None:
    page = enter(served, "idris")
    Image.effect_noise((3000, 2000), 60).save(tmp_path / "plug.jpg")
    lost = 0

    def lose_the_first_answer(route: Route) -> None:
        nonlocal lost
        if route.request.method != "POST" or lost:
            return route.continue_()
        lost += 1
        route.fetch()
        return route.abort()

    page.route("**/jobs/1008/photos/", lose_the_first_answer)
    page.goto("/jobs/1008/photos/?subject=job")
    before = page.locator("[data-photo]").count()
    page.get_by_label("Take a photo").set_input_files(tmp_path / "plug.jpg")
    expect(page.locator("[data-photo]")).to_have_count(before + 1, timeout=30_000)
    expect(page.locator(".photo-waiting")).to_have_count(0)
    page.reload()
    expect(page.locator("[data-photo]")).to_have_count(before + 1)
    assert lost == 1

    page.locator("[data-photo] a").last.click()
    drawing = page.get_by_role("application", name="Drawing on the photo")
    expect(page.locator(".photo-large img")).to_have_attribute("width", "1920")
    drawing.focus()
    page.keyboard.press("Enter")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.get_by_label("Caption").fill("Plug of the factory amplifier")
    page.get_by_role("button", name="Save photo").click()
    expect(page.get_by_text("The photo is saved.")).to_be_visible()
    circle = page.locator(".photo-marks .ink circle")
    expect(circle).to_have_attribute("cx", "1152")
    page.get_by_role("button", name="Remove this photo").click()
    page.get_by_role("button", name="Put it back").click()
    expect(page.get_by_label("Caption")).to_have_value("Plug of the factory amplifier")
