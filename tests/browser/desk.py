"""What the front desk does, step by step, as a person would."""

import re
from datetime import date, timedelta

from playwright.sync_api import Locator, Page, expect


def pick(page: Page, label: str, typed: str, option: str | re.Pattern[str]) -> None:
    """Type into a pick list, take an option of it, and see the list close."""
    page.get_by_role("combobox", name=label).press_sequentially(typed, delay=5)
    options = page.get_by_role("listbox", name=label).get_by_role("option")
    options.filter(has_text=option).click()
    expect(options).to_have_count(0)


def draw_signature(page: Page, pad: Locator) -> None:
    """Draw a line on a signature pad with the pointer."""
    pad.scroll_into_view_if_needed()
    box = pad.bounding_box()
    assert box
    left, middle = box["x"] + 30, box["y"] + box["height"] / 2
    page.mouse.move(left, middle)
    page.mouse.down()
    for step in range(1, 12):
        page.mouse.move(left + 22 * step, middle + (26 if step % 2 else -26), steps=4)
    page.mouse.up()


def book_new_car(
    page: Page,
    *,
    customer: str,
    phone: str,
    plate: str,
    vin: str,
    parts: list[tuple[str, str]],
    quantities: dict[str, str] | None = None,
) -> str:
    """Book a new customer's new car of a known model; returns the job's number as J1021."""
    page.get_by_role("navigation", name="Main").get_by_role("link", name="Book a job").click()
    page.get_by_role("button", name="New customer").click()
    people = page.get_by_role("region", name="Customer")
    expect(people.get_by_label("Name")).to_be_focused()
    people.get_by_label("Name").fill(customer)
    people.get_by_label("Phone").fill(phone)

    page.get_by_role("button", name="New vehicle").click()
    car = page.get_by_role("region", name="Vehicle")
    expect(page.get_by_role("combobox", name="Find the model")).to_be_focused()
    car.get_by_label("Plate").fill(plate)
    car.get_by_label("Model year").fill("2025")
    car.get_by_label("VIN", exact=False).first.press_sequentially(vin)
    expect(car.get_by_text("check digit does not agree")).to_be_visible()
    car.get_by_label("I read it again: keep the VIN as typed").check()
    pick(page, "Find the model", "tamsel", re.compile("Osterlea Tamsel"))

    return _wish_and_book(page, parts, quantities or {}, days=9)


def book_known_car(
    page: Page, *, plate: str, parts: list[tuple[str, str]], quantities: dict[str, str]
) -> str:
    """Book a car that is in the book, by its plate."""
    page.get_by_role("navigation", name="Main").get_by_role("link", name="Book a job").click()
    pick(page, "Find the vehicle", plate, re.compile(plate))
    expect(page.get_by_role("region", name="Customer")).to_contain_text("Change")
    return _wish_and_book(page, parts, quantities, days=10)


def _wish_and_book(
    page: Page, parts: list[tuple[str, str]], quantities: dict[str, str], days: int
) -> str:
    page.get_by_label("What the customer wants").fill("Better speakers, keep every chime.")
    for typed, name in parts:
        pick(page, "Add from the catalogue", typed, re.compile(name))
        line = page.get_by_role("listitem").filter(has_text=name)
        line.get_by_label("Quantity").fill(quantities.get(name, "1"))
    return _take_free_time(page, days)


def _take_free_time(page: Page, days: int) -> str:
    page.get_by_role("radio", name="Bay 2").check(force=True)
    later = (date.today() + timedelta(days=days)).isoformat()
    page.get_by_label("In the bay from, day").fill(later)
    page.get_by_label("In the bay from, time").fill("09:00")
    page.get_by_label("In the bay until, day").fill(later)
    page.get_by_label("In the bay until, time").fill("17:00")
    page.get_by_label("Promised for, day").fill(later)
    page.get_by_label("Promised for, time").fill("18:00")
    page.get_by_role("button", name="Book the job").click()
    heading = page.get_by_role("heading", level=1)
    expect(heading).to_contain_text(re.compile(r"J\d+"))
    found = re.search(r"J\d+", heading.inner_text())
    assert found
    return found[0]


def check_in(page: Page, job: str, *, signs: str) -> None:
    """Write the condition down and let the customer sign it."""
    page.get_by_role("link", name="Check in").first.click()
    page.get_by_label("Odometer", exact=True).fill("12400")
    page.get_by_label(re.compile("^(Fuel|Charge)")).fill("65")
    page.get_by_label("What the customer reports").fill("Prompts sound dull.")
    page.get_by_label("Dent").check(force=True)
    page.get_by_role("img", name=re.compile("car from above")).click(position={"x": 60, "y": 150})
    page.get_by_label("Note on this mark").fill("Small, by the handle")
    draw_signature(page, page.get_by_label("Signature pad", exact=False))
    page.get_by_label("Name in capitals", exact=False).fill(signs)
    page.get_by_role("button", name="Sign and check in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text(job)
    expect(page.get_by_role("main")).to_contain_text("Checked in")
