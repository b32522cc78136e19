"""What each role does every day, in a real browser against the served shop."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser import bench, desk, office
from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

WRONG_VIN = "1XWTA3E54SL020011"


def test_the_front_desk_books_a_new_car_and_checks_it_in(served: str, enter: SignIn) -> None:
    page = enter(served, "maud")
    job = desk.book_new_car(
        page,
        customer="Perpetua Gorsefield",
        phone="555-0188",
        plate="NEW 2001",
        vin=WRONG_VIN,
        parts=[("weir four", "Weir Four")],
    )
    desk.check_in(page, job, signs="P GORSEFIELD")
    page.get_by_role("navigation", name="Main").get_by_role("link", name="Board").click()
    expect(page.get_by_role("main")).to_contain_text("NEW 2001")


def test_the_front_desk_answers_is_it_ready_by_plate(served: str, enter: SignIn) -> None:
    page = enter(served, "maud")
    page.get_by_role("navigation", name="Main").get_by_role("link", name="Find").click()
    page.get_by_role("searchbox").press_sequentially("van77")
    row = page.get_by_role("link", name=re.compile("Ready.*VAN 7742.*Signed off", re.DOTALL))
    expect(row).to_be_visible()
    row.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Yarrowby")
    expect(page.get_by_role("main")).to_contain_text("555-0105")


def test_the_manager_sends_back_what_lost_a_chime(served: str, enter: SignIn) -> None:
    page = enter(served, "odile")
    office.open_review(page, "J1007")
    expect(page.get_by_role("main")).to_contain_text("Seat belt chime worked before and does not")
    expect(page.get_by_role("button", name="Sign off")).to_have_count(0)
    office.send_back(page, "Find the chime wire at the module before the car leaves.")

    bench = enter(served, "wanda")
    bench.goto("/jobs/1007/")
    expect(bench.get_by_role("main")).to_contain_text("Find the chime wire at the module")
    expect(bench.get_by_role("main")).to_contain_text("In bay")


def test_the_manager_signs_and_the_desk_hands_over(served: str, enter: SignIn) -> None:
    page = enter(served, "odile")
    office.open_review(page, "J1006")
    office.sign_off(page)
    text = office.read_pdf(page, "J1006")
    for said in ("J1006-1", "HRN 4217", "Ngozi Oakhollow", "W6-21424", "Odile Marchbank", "2500"):
        assert said in text

    counter = enter(served, "maud")
    counter.goto("/jobs/1006/")
    office.hand_over(counter, "J1006", signs="N OAKHOLLOW")
    counter.get_by_role("navigation", name="Main").get_by_role("link", name="Board").click()
    expect(counter.get_by_role("main")).not_to_contain_text("HRN 4217")


def test_the_technician_fills_before_and_after_cells_that_save_themselves(
    served: str, enter: SignIn
) -> None:
    tablet = enter(served, "wanda")
    tablet.goto("/jobs/1009/bay/before/")
    before = tablet.get_by_role("group", name="Seat belt chime", exact=True)
    before.get_by_role("radio", name="Works").check(force=True)
    bench.fill_cell(tablet, "Value, Charging voltage, engine running", "14.1")
    bench.all_saved(tablet)
    bench.section(tablet, "After")
    after = tablet.get_by_role("group", name="Seat belt chime", exact=True)
    after.get_by_role("radio", name="Does not work").check(force=True)
    lost = "Seat belt chime worked before and does not now"
    expect(tablet.get_by_role("main")).to_contain_text(lost)
    bench.all_saved(tablet)
    tablet.reload()
    expect(after.get_by_role("radio", name="Does not work")).to_be_checked()
    after.get_by_role("radio", name="Works").check(force=True)
    bench.all_saved(tablet)
    expect(tablet.get_by_role("main")).not_to_contain_text(lost)
    bench.section(tablet, "Before")
    expect(before.get_by_role("radio", name="Works")).to_be_checked()
    value = tablet.get_by_role("textbox", name="Value, Charging voltage, engine running")
    expect(value).to_have_value("14.1")
