"""A Saturday at the desk in a real browser, with what each thing takes in taps."""

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

COUNT_TAPS = """
addEventListener("pointerdown", () => {
  sessionStorage.taps = Number(sessionStorage.taps ?? 0) + 1;
}, true);
"""


@dataclass
class Taps:
    """Counts every press of the pointer on a page, over all pages it opens."""

    page: Page

    def so_far(self) -> int:
        return int(self.page.evaluate("Number(sessionStorage.taps ?? 0)"))

    @contextmanager
    def at_most(self, most: int, what: str) -> Iterator[None]:
        begins = self.so_far()
        yield
        taken = self.so_far() - begins
        assert 0 < taken <= most, f"{what}: {taken} taps"


def due_before_now(data: Path, number: int) -> None:
    """Whatever the hour of the test, this car should have been here: it was due last night."""
    with sqlite3.connect(data / "loombook.sqlite3") as shop:
        shop.execute(
            "UPDATE jobs_job SET starts_at = date('now', '-1 day') || ' 03:00:00', "
            "ends_at = date('now', '-1 day') || ' 04:00:00' WHERE number = ?",
            [number],
        )
    shop.close()


def test_a_saturday_at_the_desk(served: str, enter: SignIn, tmp_path: Path) -> None:
    due_before_now(tmp_path / "served", 1014)
    page = enter(served, "maud")
    page.add_init_script(COUNT_TAPS)
    taps = Taps(page)
    page.goto("/board/")

    with taps.at_most(1, "“can I come?” on the phone"):
        page.get_by_role("link", name="Free times").first.click()
        free = page.get_by_role("region", name="Free times").get_by_role("link")
        expect(free.first).to_be_visible()

    with taps.at_most(7, "a caller who is new, with a known car, booked"):
        free.last.click()
        page.get_by_role("button", name="New customer").click()
        people = page.get_by_role("region", name="Customer")
        people.get_by_label("Name").fill("Jorun Halfpenny")
        people.get_by_label("Phone").press_sequentially("555 0101")
        known = people.get_by_role("button", name=re.compile("Use this customer.*Ngozi"))
        expect(known).to_be_visible()
        known.click()
        page.get_by_role("region", name="Customer").get_by_role("button", name="HRN 4217").click()
        expect(page.get_by_role("region", name="Vehicle")).to_contain_text("HRN 4217")
        page.get_by_label("What the customer wants").fill("A quieter door.")
        page.get_by_role("button", name="Book the job").click()
        all_the_same = page.get_by_role("button", name="Book it all the same")
        expect(all_the_same.or_(page.get_by_text("is booked for"))).to_be_visible()
        if all_the_same.count():
            all_the_same.click()
        expect(page.get_by_text("is booked for")).to_be_visible()

    page.goto("/board/")
    with taps.at_most(1, "a customer who did not come"):
        gone = page.get_by_role("button", name="J1014 did not come: free its bay")
        gone.click()
        expect(page.get_by_text("J1014 did not come")).to_be_visible()

    page.goto("/jobs/1013/")
    with taps.at_most(1, "parts that come late"):
        page.get_by_label(re.compile(": is$")).first.select_option("ordered")
        expect(page.get_by_label(re.compile(": expected on$")).first).to_be_visible()
        page.get_by_label(re.compile(": expected on$")).first.click()
    page.goto("/plan/parts/")
    expect(page.get_by_role("main")).to_contain_text("J1013")

    page.goto("/jobs/1002/")
    with taps.at_most(3, "a comeback booked with the old job beside it"):
        page.get_by_role("link", name="Book a comeback").click()
        earlier = page.locator("#earlier-job")
        expect(earlier).to_contain_text("within warranty")
        expect(page.get_by_role("radio", name="Comeback")).to_be_checked()
        page.get_by_label("What the customer wants").fill("Hum again.")
        page.get_by_role("button", name="Book the job").click()
        all_the_same = page.get_by_role("button", name="Book it all the same")
        expect(all_the_same.or_(page.get_by_text("is booked for"))).to_be_visible()
        if all_the_same.count():
            all_the_same.click()
        expect(page.get_by_text("Comeback of J1002").first).to_be_visible()
    with taps.at_most(1, "what was left, beside what is found"):
        page.get_by_role("link", name="Compare with J1002").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("beside J1002")
        expect(page.get_by_role("region", name="Settings then and now")).to_contain_text("80")

    page.goto("/jobs/1008/")
    approves = page.get_by_role("button", name=re.compile("^Approved: "))
    with taps.at_most(4, "a car in the bay: its estimate written and approved on the phone"):
        page.get_by_role("link", name="Write", exact=True).click()
        page.get_by_role("button", name="Parts and usual hours").click()
        page.get_by_role("radio", name="Said on the phone").check(force=True)
        page.get_by_label("What was said").fill("Go on, says Bram.")
        approves.click()
        expect(page.get_by_role("main")).to_contain_text("said on the phone, today")
    with taps.at_most(5, "what is added during the work, approved anew"):
        page.get_by_text("Labour or anything else").click()
        page.locator("[name=new-text]").fill("Door seal, left")
        page.locator("[name=new-quantity]").fill("1")
        page.locator("[name=new-price]").fill("18.50")
        page.get_by_role("button", name="Add the line").click()
        expect(page.get_by_role("main")).to_contain_text("18.50")
        page.get_by_role("radio", name="Said on the phone").check(force=True)
        page.get_by_label("What was said").fill("The seal too.")
        approves.click()
        expect(page.get_by_role("main")).to_contain_text("The seal too.")
