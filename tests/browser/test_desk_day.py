"""The desk's day in a real browser: the plan by hand and keyboard, a caller, a no-show."""

import re

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser


def card(page: Page, job: str) -> Locator:
    return page.get_by_role("link", name=re.compile(rf"^{job}\b"))


def next_free_days(page: Page) -> Locator:
    return page.get_by_role("region", name="Free times").get_by_role("link")


def test_a_job_is_moved_by_hand_and_by_keyboard_and_put_back(served: str, enter: SignIn) -> None:
    page = enter(served, "maud")
    page.goto("/plan/?span=week")
    page.get_by_role("link", name="Later").click()
    page.goto("/plan/free/")
    next_free_days(page).last.click()
    expect(page.get_by_role("heading", level=1, name="Book a job")).to_be_visible()

    page.goto("/plan/")
    job = card(page, "J1013")
    if not job.count():
        # Until the shop opens the demo's today is still the day before.
        page.get_by_role("link", name="Later").click()
    stood = job.get_attribute("data-from")
    box = job.bounding_box()
    assert box
    page.mouse.move(box["x"] + 8, box["y"] + 8)
    page.mouse.down()
    page.mouse.move(box["x"] + 60, box["y"] + 10, steps=4)
    page.mouse.move(box["x"] + 120, box["y"] + 12, steps=4)
    page.mouse.up()
    said = page.get_by_role("status").filter(has_text="J1013")
    expect(said.get_by_role("button")).to_be_visible()
    if said.get_by_role("button", name="Move it all the same").count():
        said.get_by_role("button", name="Move it all the same").click()
    expect(said.get_by_role("button", name="Put it back")).to_be_visible()
    assert card(page, "J1013").get_attribute("data-from") != stood
    said.get_by_role("button", name="Put it back").click()
    expect(card(page, "J1013")).to_have_attribute("data-from", stood or "")

    job = card(page, "J1013")
    job.focus()
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("Escape")
    expect(card(page, "J1013")).to_have_attribute("data-from", stood or "")
    job.focus()
    for key in ("Shift+ArrowRight", "Shift+ArrowRight", "Enter"):
        page.keyboard.press(key)
    expect(card(page, "J1013")).not_to_have_attribute("data-from", stood or "")


def test_can_i_come_is_answered_in_one_tap_from_any_page(served: str, enter: SignIn) -> None:
    page = enter(served, "maud")
    for path in ("/catalogue/", "/jobs/1008/bay/", "/find/"):
        page.goto(path)
        page.get_by_role("link", name="Free times").first.click()
        expect(next_free_days(page).first).to_be_visible()
    page.get_by_role("radio", name="Full system").check()
    expect(page).to_have_url(re.compile("kind="))
    next_free_days(page).first.click()
    expect(page.get_by_label("In the bay from, day")).not_to_have_value("")


def test_what_a_caller_said_and_where_the_keys_hang_are_noted_in_place(
    served: str, enter: SignIn
) -> None:
    page = enter(served, "wanda")
    page.goto("/jobs/1008/")
    page.get_by_text("Note what was said").click()
    page.get_by_label("What was said, and by whom").fill("Bram: collect after six.")
    page.get_by_role("button", name="Note it").click()
    log = page.locator("#desk-log")
    expect(log.get_by_role("listitem")).to_contain_text("collect after six")
    strip = page.get_by_role("region", name="Customer and keys")
    strip.get_by_text("Change").click()
    strip.get_by_label("Keys hang at").fill("Safe")
    strip.get_by_role("button", name="Save").click()
    expect(strip).to_contain_text("Safe")
    expect(log.get_by_role("listitem")).to_contain_text("collect after six")
