"""The second factor in a real browser: an app that reads the picture, a passkey of the device."""

import hmac
import io
import re
import time
from base64 import b32decode
from urllib.parse import parse_qs, urlparse

import pytest
import zxingcpp
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from tests.browser.served import PASSWORDS

pytestmark = pytest.mark.browser


def code_of(address: str) -> str:
    """What an app makes of the picture: RFC 4226, 5.3, and RFC 6238, 4.2, written out here."""
    asked = parse_qs(urlparse(address).query)
    key = b32decode(asked["secret"][0])
    told = {"digits": ["6"], "algorithm": ["SHA1"], "period": ["30"]}
    assert {name: asked.get(name, usual) for name, usual in told.items()} == told
    made = hmac.digest(key, (int(time.time()) // 30).to_bytes(8, "big"), "sha1")
    place = made[-1] & 15
    return f"{(int.from_bytes(made[place : place + 4], 'big') & 0x7FFFFFFF) % 10**6:06d}"


def password(page: Page) -> None:
    page.get_by_label("Sign-in name").fill("odile")
    page.get_by_label("Password").fill(PASSWORDS["odile"])
    page.get_by_role("button", name="Sign in", exact=True).click()


def test_a_manager_is_led_to_an_app_adds_a_passkey_and_signs_in_with_it(
    served: str, browser: Browser, browser_context_args: dict[str, object]
) -> None:
    address = served.replace("127.0.0.1", "localhost")
    context = browser.new_context(**{**browser_context_args, "base_url": address})
    page = context.new_page()
    page.goto("/sign-in/")
    password(page)
    page.goto("/settings/")
    page.get_by_label("Managers sign in with a second factor").check()
    page.get_by_role("button", name="Save", exact=True).click()
    context.clear_cookies()

    page.goto("/board/")
    password(page)
    page.get_by_role("link", name="Set up an app").click()
    picture = Image.open(io.BytesIO(page.locator(".second-qr").screenshot()))
    [read] = zxingcpp.read_barcodes(picture)
    page.get_by_label("Code that the app shows now").fill(code_of(read.text))
    page.get_by_role("button", name="Set up this app").click()
    expect(page.locator(".recovery-codes li")).to_have_count(8)
    page.get_by_role("link", name="I have kept them").click()

    device = context.new_cdp_session(page)
    device.send("WebAuthn.enable")
    kind = {"protocol": "ctap2", "transport": "internal", "hasResidentKey": True}
    proves = {"hasUserVerification": True, "isUserVerified": True}
    device.send("WebAuthn.addVirtualAuthenticator", {"options": {**kind, **proves}})
    page.goto("/second-factor/passkey/")
    page.get_by_label("What it is called").fill("Desk computer")
    page.get_by_role("button", name="Make the passkey").click()
    expect(page.get_by_text("Desk computer")).to_be_visible()

    context.clear_cookies()
    page.goto("/board/")
    password(page)
    expect(page.get_by_text("Your password is right")).to_be_visible()
    page.get_by_role("button", name="Use a passkey").click()
    expect(page).to_have_url(re.compile("/board/"))
    context.close()
