"""The tuning record in a real browser: measured before and after, a proposal, the signed sheet."""

import re
from math import exp, log2
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser import office
from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

TUNING = "/jobs/1006/bay/tuning"


def _text(path: Path, bump_db: float) -> Path:
    """A midrange between its corners with a resonance at 800 Hz, in two columns."""
    rows = []
    for step in range(240):
        hz = 20 * 2 ** (step / 24)
        level = 74 + bump_db * exp(-((log2(hz / 800) / 0.4) ** 2))
        level -= 24 * max(0.0, log2(80 / hz)) + 24 * max(0.0, log2(hz / 2500))
        rows.append(f"{hz:.2f};{level:.2f}".replace(".", ","))
    path.write_text("* Hz;dB\n" + "\n".join(rows), encoding="utf-8")
    return path


def _import(page: Page, phase: str, file: Path) -> None:
    page.goto(f"{TUNING}/measured/")
    form = page.get_by_role("region", name="Import a measurement")
    form.get_by_role("radio", name=phase).check(force=True)
    form.get_by_label("Playing").select_option("A1.3")
    form.get_by_label("Microphone at").fill("head, centre")
    form.get_by_label("Text files").set_input_files(file)
    form.get_by_role("button", name="Import").click()
    expect(page.get_by_text("1 measurement is in.")).to_be_visible()


def test_a_measured_resonance_is_proposed_away_and_signed(
    served: str, enter: SignIn, tmp_path: Path
) -> None:
    page = enter(served, "idris")
    page.goto(f"{TUNING}/")
    page.get_by_role("button", name="Take back from review").click()
    expect(page.get_by_role("main")).to_contain_text("Checked in")  # another car is in its bay

    _import(page, "Before", _text(tmp_path / "before.txt", 9.0))
    _import(page, "After", _text(tmp_path / "after.txt", 7.0))
    shown = page.get_by_role("region", name=re.compile("A1.3"))
    expect(shown.locator(".plot-before")).to_have_count(1)
    expect(shown.locator(".plot-after")).to_have_count(1)
    plot = shown.get_by_role("group", name=re.compile("Measured response"))
    plot.focus()
    page.keyboard.press("ArrowRight")
    expect(plot).to_contain_text(re.compile(r"Before: .*dB.*After: .*dB", re.DOTALL))

    page.get_by_role("link", name="Proposal").click()
    for other in ("A1.1", "A1.2", "A1.4", "A2.1"):
        page.get_by_role("checkbox", name=re.compile(other)).uncheck()
    page.get_by_role("button", name="Propose sections").click()
    proposed = page.get_by_role("region", name=re.compile("A1.3"))
    expect(proposed.locator(".plot-after")).to_have_count(1)
    page.get_by_role("button", name="Apply to 1 channel").click()
    expect(page.get_by_text("The sections are in the after settings of A1.3")).to_be_visible()
    row = page.get_by_role("row", name=re.compile("Peak (7|8)[0-9]{2} Hz"))
    section = [said.replace("\u00a0", " ") for said in row.get_by_role("cell").all_inner_texts()]

    page.goto(f"{TUNING}/")
    page.get_by_role("link", name="Hand to review").click()
    page.get_by_role("dialog").get_by_role("button", name="Hand to review").click()
    manager = enter(served, "odile")
    office.open_review(manager, "J1006")
    office.sign_off(manager)
    text = office.read_pdf(manager, "J1006").replace("\u00a0", " ")
    assert f"peak {section[1]}, {section[2]}" in text
    for said in ("Response of the settings", "Measured response", "Midrange front door left"):
        assert said in text


def turned_sizes(page: Page) -> set[int]:
    """How large the numbers of a plot are [px] while a phone is turned, and on a tablet again."""
    sizes = set()
    for width, height in ((390, 844), (844, 390), (390, 844), (1180, 820)):
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_function(SIZED)
        sizes |= {round(size) for size in page.evaluate(LETTERS) if width < 844}
    return sizes


SIZED = """() => [...document.querySelectorAll("svg.plot")].every(
    (one) => Number(one.dataset.sized) === one.clientWidth && one.clientWidth)"""
LETTERS = """() => [...document.querySelectorAll("svg.plot .plot-axis text")].map(
    (one) => parseFloat(getComputedStyle(one).fontSize) * one.getScreenCTM().a)"""


def test_the_curves_follow_a_cell_and_are_read_by_tap_and_key(served: str, enter: SignIn) -> None:
    page = enter(served, "idris")
    page.goto("/jobs/1008/bay/tuning/")
    plot = page.get_by_role("group", name=re.compile("^Level"))
    drawn = plot.locator(".plot-after").first
    before = drawn.get_attribute("d")
    assert turned_sizes(page) == {14}
    cell = page.get_by_role("textbox", name="Level, A1.1 after")
    cell.fill("-9")
    cell.press("Tab")
    expect(drawn).not_to_have_attribute("d", before or "")
    plot.locator(".plot-hit").nth(17).tap()
    values = page.get_by_role("region", name="Curves of the settings").locator("[aria-live]")
    expect(values).to_contain_text("1 kHz")
    plot.focus()
    page.keyboard.press("ArrowRight")
    expect(values).to_contain_text("1.25 kHz")
    page.get_by_role("radio", name="Phase").check(force=True)
    expect(page.get_by_role("group", name=re.compile("^Phase"))).to_be_visible()
