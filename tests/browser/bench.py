"""What the technician does on the tablet, section by section of the bay sheet."""

import re
from dataclasses import dataclass

from playwright.sync_api import Page, expect


def section(page: Page, name: str) -> None:
    """Open a section of the bay sheet by its tab."""
    tabs = page.get_by_role("navigation", name="Sections of the bay sheet")
    tabs.get_by_role("link", name=re.compile(f"^{name}")).click()
    expect(tabs.get_by_role("link", name=re.compile(f"^{name}"))).to_have_attribute(
        "aria-current", "page"
    )
    page.wait_for_load_state("domcontentloaded")


def all_saved(page: Page) -> None:
    """Wait until nothing typed is still on its way."""
    expect(page.get_by_text("All saved")).to_be_visible()


def fill_cell(page: Page, label: str, value: str) -> None:
    """Type into a cell, with or without names to choose from, and leave it, which saves it."""
    chosen = page.get_by_role("combobox", name=label, exact=True)
    cell = page.get_by_role("textbox", name=label, exact=True).or_(chosen)
    cell.fill(value)
    cell.press("Tab")


def choose_cell(page: Page, label: str, option: str | re.Pattern[str]) -> None:
    """Choose in a cell, by the option's words or their beginning."""
    cell = page.get_by_role("combobox", name=label, exact=True)
    wanted = re.compile(f"^{re.escape(option)}") if isinstance(option, str) else option
    value = cell.get_by_role("option", name=wanted).first.get_attribute("value")
    cell.select_option(value)


def put_on_hold(page: Page, job: str, reason: str) -> None:
    """Make the bay free by putting the job in it on hold."""
    page.goto(f"/jobs/{job[1:]}/")
    page.get_by_role("button", name="Put on hold…").click()
    dialog = page.get_by_role("dialog")
    dialog.get_by_role("textbox").fill(reason)
    dialog.get_by_role("button", name=re.compile("hold")).click()
    expect(page.get_by_role("main")).to_contain_text("On hold")


def start_work(page: Page, job: str) -> None:
    """From the job's page to its bay sheet, work begun."""
    page.get_by_role("button", name="Start work").first.click()
    expect(page.get_by_role("main")).to_contain_text("In bay")
    page.get_by_role("link", name=re.compile("Bay sheet|bay sheet")).first.click()
    expect(page.get_by_role("navigation", name="Sections of the bay sheet")).to_be_visible()


@dataclass(frozen=True)
class Cable:
    """One run of the power plan as typed; the fuse is (rating, body, distance)."""

    kind: str
    start: str
    end: str
    size: str
    length: str
    fuse: tuple[str, str, str] | None = None


def write_note(page: Page, text: str) -> None:
    section(page, "Notes")
    page.get_by_label("New note").fill(text)
    page.get_by_role("button", name="Add note").click()
    expect(page.get_by_text(text)).to_be_visible()


def hand_to_review(page: Page) -> None:
    page.get_by_role("link", name="Hand to review").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("Everything the sheet needs is entered")
    dialog.get_by_role("button", name="Hand to review").click()
    expect(page.get_by_role("main")).to_contain_text("Ready for review")


def tick_off(page: Page) -> None:
    """Say that what the manager asked for is done."""
    asked = page.get_by_role("region", name="Sent back by the manager")
    asked.get_by_role("button", name="Mark done").click()
    expect(asked.get_by_role("button", name="Done", exact=True)).to_be_visible()
