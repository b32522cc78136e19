"""From a product's limits to the list, ticked without a network, read back, and on the sheet."""

import io

import pytest
from playwright.sync_api import expect
from pypdf import PdfReader

from tests.browser.conftest import SignIn
from tests.browser.test_accessible import examine

pytestmark = pytest.mark.browser

JOB = 1008
LIST = f"/jobs/{JOB}/bay/tuning/entry/"


def test_settings_are_typed_read_back_and_stored(served: str, enter: SignIn) -> None:
    odile = enter(served, "odile")
    odile.goto("/catalogue/?q=Weir+Five")
    odile.get_by_role("link", name="Weir Five").first.click()
    odile.get_by_role("link", name="Change", exact=True).click()
    odile.get_by_text("What its program takes").click()
    odile.get_by_label("Levels it takes, dB").fill("6 to -60")
    odile.get_by_role("button", name="Save product").click()
    expect(odile.get_by_role("main")).to_contain_text("ends below where it begins")
    odile.get_by_label("Levels it takes, dB").fill("-60 to 6 step 0,5")
    odile.get_by_label("Settings are typed").select_option("setting")
    odile.get_by_role("button", name="Save product").click()
    expect(odile.get_by_role("main")).to_contain_text("-60 to 6 step 0.5")

    page = enter(served, "piers", has_touch=True)
    page.goto(LIST)
    page.context.set_offline(True)
    for what in ("A1.1, High-pass entered", "A1.2, High-pass entered"):
        page.get_by_role("checkbox", name=what).tap(force=True)
    expect(page.locator("#save-strip")).to_contain_text("2 entries are kept on this device")
    page.context.set_offline(False)
    expect(page.locator("#progress-A1")).to_contain_text("2 of 20 entered", timeout=30_000)
    page.get_by_role("checkbox", name="A1.2, High-pass entered").press("Space")
    expect(page.locator("#progress-A1")).to_contain_text("1 of 20 entered")
    box = page.locator(".entry-tick").first.bounding_box()
    assert box is not None and min(box["width"], box["height"]) >= 60

    page.get_by_role("link", name="Read back").click()
    page.get_by_role("button", name="Everything shows the same").click()
    expect(page.locator("#progress-A1")).to_contain_text("20 of 20 read back alike")
    row = page.locator("#entry-A1-3-level")
    row.get_by_text("It shows something else").click()
    row.get_by_label("Level, dB").fill("-3")
    row.get_by_label("Level, dB").press("Tab")
    expect(row).to_contain_text("The program shows -3 dB")
    expect(page.locator("#progress-A1")).to_contain_text("1 shown otherwise")
    findings = f"/jobs/{JOB}/bay/findings/"
    page.goto(findings)
    expect(page.get_by_role("main")).to_contain_text("the program shows −3 dB")
    for path in (LIST, f"{LIST}?do=read"):
        assert examine(page, path) == []
    page.get_by_role("checkbox", name="A1.3, Level: the program shows").check(force=True)
    expect(page.locator("#progress-A1")).to_contain_text("20 of 20 read back alike")

    page.get_by_label("Settings stored as").fill("Front stage")
    page.get_by_label("In slot").fill("2")
    page.get_by_role("button", name="Note it as stored").click()
    expect(page.locator("#stored-A1")).to_contain_text("Noted by Piers")
    draft = page.request.get(f"/jobs/{JOB}/sheet-preview/")
    text = " ".join(
        " ".join(one.extract_text().split()) for one in PdfReader(io.BytesIO(draft.body())).pages
    )
    assert "Front stage" in text and "20 of 20" in text and "1 of 20" in text
