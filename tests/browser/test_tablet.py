"""A shared tablet in a real browser: two people, one device, nothing typed lost."""

import pytest
from playwright.sync_api import Page, expect

from deploy.demo.people import STAFF
from tests.browser.conftest import SignIn

PINS = {one.username: (one.name, one.pin) for one in STAFF if one.pin}
MINUTE_MS = 60_000

pytestmark = pytest.mark.browser


def tap_pin(page: Page, username: str) -> None:
    """Name, digits and OK on the pad."""
    name, pin = PINS[username]
    page.get_by_role("radio", name=name).tap()
    for digit in pin:
        page.get_by_role("button", name=digit, exact=True).tap()
    page.get_by_role("button", name="Sign in", exact=True).tap()


def switch(page: Page) -> None:
    page.locator(".user-menu summary").tap()
    page.get_by_role("button", name="Switch person").tap()
    expect(page.get_by_text("Who is there?")).to_be_visible()


def test_the_tablet_changes_hands_and_what_was_typed_stays(served: str, enter: SignIn) -> None:
    page = enter(served, "odile")
    page.goto("/settings/tablets/register/")
    page.get_by_label("What it is called").fill("Bay 1 tablet")
    page.get_by_role("button", name="Register this device").tap()
    expect(page.get_by_text("This device is now")).to_be_visible()

    page.goto("/board/")
    page.get_by_role("link", name="FLD 5520").first.tap()
    page.get_by_role("link", name="Bay sheet").first.tap()
    page.get_by_role("link", name="Notes").tap()
    sheet = page.url.replace("notes", "steps")
    switch(page)
    tap_pin(page, "piers")
    expect(page.locator(".user-menu summary")).to_contain_text("Piers")

    page.clock.install()
    page.goto(sheet)
    reading = page.get_by_label("Voltage at the amplifier under load")
    reading.type("13.1")
    page.clock.fast_forward(11 * MINUTE_MS)
    page.clock.run_for(10_000)
    expect(page.get_by_text("Who is there?")).to_be_visible()
    assert "/tablet/" in page.request.get("/board/").url
    tap_pin(page, "piers")
    expect(page.get_by_text("Who is there?")).to_be_hidden()
    expect(reading).to_have_value("13.1")

    switch(page)
    tap_pin(page, "wanda")
    expect(page.locator(".user-menu summary")).to_contain_text("Wanda")
    assert page.url == sheet
    expect(page.get_by_label("Voltage at the amplifier under load")).to_have_value("13.1")
    page.goto(f"{sheet.split('/bay/')[0]}/?history=all")
    expect(page.locator(".history li").filter(has_text="13.1")).to_contain_text("Piers Underlow")
