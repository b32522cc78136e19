"""Screens in another language than the code's: chosen by a person, spoken by scripts, no wider."""

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignIn
from tests.browser.test_bay_hands import SCREENS, sizes_of

pytestmark = pytest.mark.browser


def speak(page: Page, name: str) -> None:
    page.goto("/my-language/")
    page.get_by_role("combobox").select_option(label=name)
    page.get_by_role("button", name="Save language").click()
    expect(page.locator("html")).not_to_have_attribute("lang", "en")


def test_a_page_and_its_scripts_speak_german(served: str, enter: SignIn) -> None:
    page = enter(served, "piers")
    speak(page, "Deutsch")
    page.goto("/jobs/1008/bay/before/")
    expect(page.locator("html")).to_have_attribute("lang", "de")
    value = page.get_by_label("Wert, ").first
    value.fill("12,71")
    value.press("Tab")
    strip = page.locator("#save-strip")
    expect(strip).to_contain_text("Alles gespeichert")
    page.context.set_offline(True)
    value.fill("12,4")
    value.press("Tab")
    expect(strip).to_contain_text("Kein Netz: 1 Eingabe bleibt auf diesem Gerät")
    page.context.set_offline(False)
    expect(strip).to_contain_text("Alles gespeichert", timeout=60_000)


@pytest.mark.parametrize("language", ["Deutsch", "Español"])
def test_longer_words_do_not_make_a_page_scroll_inside(
    served: str, enter: SignIn, language: str
) -> None:
    page = enter(served, "piers")
    speak(page, language)
    found = [
        f"{width}: {path}: {one}"
        for path in SCREENS
        for width, told in sizes_of(page, path)
        for one in told
    ]
    assert not found, "\n".join(found)
