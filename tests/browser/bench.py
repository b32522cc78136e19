"""What the technician does on the tablet, section by section of the bay sheet."""

import re
from dataclasses import dataclass

from playwright.sync_api import Page, expect


@dataclass(frozen=True)
class Wanted:
    """One channel of the plan: the place on the picture, and its wire."""

    channel: str
    place: str
    plug: str
    colour: str


CHANNELS = (
    Wanted("A1.1", "Front door left", "Door plug, left", "BN"),
    Wanted("A1.2", "Front door right", "Door plug, right", "GY"),
    Wanted("A1.3", "Rear door left", "Sill plug, left", "GN"),
    Wanted("A1.4", "Rear door right", "Sill plug, right", "VT"),
)


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


def prove_fit(page: Page) -> None:
    section(page, "Fit")
    page.get_by_label("Source consulted").fill("Oskerry fitting list")
    page.get_by_label("Reference number", exact=False).fill("List 14, line 212")
    page.get_by_role("radio", name="Fits", exact=True).check(force=True)
    page.get_by_role("button", name="Add proof").click()
    expect(page.get_by_text("List 14, line 212")).to_be_visible()
    fill_cell(page, "Serial number, A1", "W4-90001")
    fill_cell(page, "Firmware, A1", "1.0.2")
    all_saved(page)


def try_functions(page: Page, tab: str) -> None:
    """One function by itself, the rest by group."""
    section(page, tab)
    absent = page.get_by_role("group", name="Blind spot warning", exact=True)
    absent.get_by_role("radio", name="Not fitted").check(force=True)
    all_saved(page)
    everything = page.get_by_role("button", name="All of these work")
    while everything.count():
        left = everything.count()
        everything.first.click()
        expect(everything).to_have_count(left - 1)
    expect(page.get_by_text(re.compile("All .* tried"))).to_be_visible()


def take_readings(page: Page, values: dict[str, str]) -> None:
    for label, value in values.items():
        fill_cell(page, f"Value, {label}", value)
        fill_cell(page, f"Meter, {label}", "Multimeter 2")
    all_saved(page)


def plan_channels(page: Page) -> None:
    """Place the front pair and the rear pair, each as one set; then wires and filters."""
    section(page, "Channels")
    for name in ("Front door, left and right", "Rear door, left and right"):
        page.get_by_role("button", name="Place a set").click()
        page.get_by_role("dialog").get_by_role("button", name=name).click()
        expect(page.get_by_role("status").filter(has_text="Placed:")).to_contain_text(
            name.partition(",")[0].lower()
        )
        expect(page.get_by_role("dialog")).to_have_count(0)
    for wanted in CHANNELS:
        expect(
            page.get_by_role("link", name=re.compile(f"{wanted.place}: .*fed by {wanted.channel}"))
        ).to_be_visible()
    page.get_by_role("link", name="Wires").click()
    for wanted in CHANNELS:
        at = wanted.channel
        fill_cell(page, f"Plug, {at}", wanted.plug)
        fill_cell(page, f"+ pin, {at}", "1")
        choose_cell(page, f"+ base colour, {at}", wanted.colour)
        choose_cell(page, f"+ stripe colour, {at}", "WH")
        fill_cell(page, f"− pin, {at}", "2")
        choose_cell(page, f"− base colour, {at}", wanted.colour)
        choose_cell(page, f"− stripe colour, {at}", "BK")
        choose_cell(page, f"Polarity, {at}", "Proved")
    all_saved(page)
    page.get_by_role("link", name="Settings").last.click()
    page.get_by_role("checkbox", name="Set left and right together").check(force=True)
    for left, right in zip(CHANNELS[::2], CHANNELS[1::2], strict=True):
        at = left.channel
        choose_cell(page, f"High-pass family, {at}", re.compile("Butterworth|BW|Bw"))
        choose_cell(page, f"High-pass slope, {at}", re.compile("24"))
        fill_cell(page, f"High-pass frequency, {at}", "80")
        fill_cell(page, f"Level, {at}", "-3")
        other = page.get_by_role("textbox", name=f"High-pass frequency, {right.channel}")
        expect(other).to_have_value("80")
        expect(page.get_by_role("textbox", name=f"Level, {right.channel}")).to_have_value("-3")
    all_saved(page)


@dataclass(frozen=True)
class Cable:
    """One run of the power plan as typed; the fuse is (rating, body, distance)."""

    kind: str
    start: str
    end: str
    size: str
    length: str
    fuse: tuple[str, str, str] | None = None


CABLES = (
    Cable("Feed", "Battery", "A1 Harnbeck Weir Four", "25 mm²", "2", ("60", "Strip", "0.2")),
    Cable("Return", "A1 Harnbeck Weir Four", "Car body", "25 mm²", "0.5"),
)


def plan_power(page: Page) -> None:
    section(page, "Power")
    for number, cable in enumerate(CABLES, 1):
        adding = page.get_by_role("group").filter(has=page.get_by_role("button", name="Add run"))
        if not page.get_by_role("button", name="Add run").is_visible():
            page.get_by_text("Add a run").click()
        form = adding.last
        form.get_by_role("radio", name=cable.kind).check(force=True)
        form.get_by_label("From", exact=True).select_option(label=cable.start)
        form.get_by_label("To", exact=True).select_option(label=cable.end)
        form.get_by_label("Conductor", exact=True).select_option(label=cable.size)
        form.get_by_label("Length", exact=True).fill(cable.length)
        if cable.fuse:
            rating, body, distance = cable.fuse
            form.get_by_label("Fuse rating", exact=False).fill(rating)
            form.get_by_label("Fuse type", exact=False).select_option(label=body)
            form.get_by_label("Fuse from source", exact=False).fill(distance)
        form.get_by_role("button", name="Add run").click()
        expect(page.get_by_role("rowheader", name=f"R{number}")).to_be_visible()


def tune(page: Page) -> None:
    """As found, and what stands outside the channels."""
    section(page, "Tuning")
    page.get_by_role("link", name="A1 was in the car before").click()
    fill_cell(page, "Level, A1.1 before", "-20")
    all_saved(page)
    page.get_by_role("region", name="Other settings").get_by_label("Setting", exact=True).fill(
        "Head unit bass"
    )
    page.get_by_role("region", name="Other settings").get_by_label("As found", exact=False).fill(
        "+4"
    )
    page.get_by_role("region", name="Other settings").get_by_role("button", name="Add").click()
    fill_cell(page, "After, Head unit bass", "0")
    all_saved(page)


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
