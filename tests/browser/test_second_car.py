"""The second car of a model, with another amplifier: what is left for the technician to enter."""

from collections import Counter
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, expect

from tests.browser import bench, desk, office
from tests.browser.conftest import SignIn
from tests.browser.test_whole_path import AFTER, BEFORE

pytestmark = pytest.mark.browser

FIRST = [("weir four", "Weir Four"), ("dunnock", "Dunnock 130")]
SECOND = [("weir five", "Weir Five"), ("dunnock", "Dunnock 130")]
QUANTITIES = {"Dunnock 130": "4"}
PLAN = ("/bay/channels", "/bay/power", "/bay/tuning", "/apply-setup/")
"""Pages on which the plan is entered. What is proved in each car (fit, functions, readings) is
entered on the others, and no setup may save it."""

WATCH = """
addEventListener("change", (event) => {
  if (event.target.matches("main input, main select, main textarea, dialog input, dialog select"))
    window.entered(location.pathname);
}, true);
addEventListener("click", (event) => {
  const button = event.target.closest("main button, dialog button");
  if (button && (button.type === "submit" || button.hasAttribute("hx-post")))
    window.entered(location.pathname);
}, true);
"""


class Entries:
    """Counts what a person changes, chooses and presses, by whether it belongs to the plan."""

    def __init__(self, page: Page) -> None:
        self.counts: Counter[str] = Counter()
        page.context.expose_binding("entered", self._add)
        page.context.add_init_script(WATCH)

    def _add(self, source: Any, path: str) -> None:
        plan = any(part in urlsplit(path).path for part in PLAN)
        self.counts["plan" if plan else "proof"] += 1

    def take(self) -> Counter[str]:
        """The counts so far; the next ones start from nothing."""
        counted, self.counts = self.counts, Counter()
        return counted


def prove(tablet: Page, phase: str) -> None:
    bench.try_functions(tablet, phase)
    bench.take_readings(tablet, BEFORE if phase == "Before" else AFTER)


def test_the_second_car_takes_a_fifth_of_the_entries(served: str, enter: SignIn) -> None:
    counter = enter(served, "maud")
    first = desk.book_new_car(
        counter,
        customer="Perpetua Gorsefield",
        phone="555-0188",
        plate="NEW 2001",
        vin="1XWTA3E54SL020011",
        parts=FIRST,
        quantities=QUANTITIES,
    )
    desk.check_in(counter, first, signs="P GORSEFIELD")

    tablet = enter(served, "piers")
    bench.put_on_hold(tablet, "J1009", "Waits for a new earth strap.")
    entries = Entries(tablet)
    tablet.goto(f"/jobs/{first[1:]}/")
    bench.start_work(tablet, first)
    bench.prove_fit(tablet)
    prove(tablet, "Before")
    bench.plan_channels(tablet)
    bench.plan_power(tablet)
    bench.tune(tablet)
    prove(tablet, "After")
    bench.hand_to_review(tablet)
    of_first = entries.take()

    manager = enter(served, "odile")
    office.open_review(manager, first)
    office.give_reason(manager, "Taken from the head unit's own aerial lead.")
    office.sign_off(manager)
    setup = office.save_setup(manager, "Four coaxials")
    manager.get_by_role("button", name="Approve").click()
    expect(manager.get_by_role("main")).to_contain_text("Approved by")

    second = desk.book_known_car(counter, plate="HRN 1093", parts=SECOND, quantities=QUANTITIES)
    desk.check_in(counter, second, signs="T BRANDRETH")
    tablet.goto(f"/jobs/{second[1:]}/")
    bench.start_work(tablet, second)
    bench.prove_fit(tablet)
    prove(tablet, "Before")

    tablet.goto(f"/jobs/{second[1:]}/")
    offer = tablet.get_by_role("region", name="Saved setups for this car")
    expect(offer).to_contain_text("Not in the setup: Harnbeck Weir Five")
    offer.get_by_role("link", name=setup).click()
    expect(tablet.get_by_role("main")).to_contain_text("4 amplifier channels in the setup, 5 here")
    for group in ("Parts that stand", "Channels and wires", "Settings, into", "Power"):
        tablet.get_by_role("button", name=f"that differ in {group}").click()
    tablet.get_by_role("button", name="Apply what is chosen").click()
    expect(tablet.get_by_role("main")).to_contain_text("applied")

    tablet.get_by_role("link", name="Open the bay sheet").click()
    bench.section(tablet, "Channels")
    tablet.get_by_role("link", name="Wires").click()
    marks = tablet.get_by_text("Reconfirm", exact=True)
    expect(marks).to_have_count(4)
    for left, wanted in zip((3, 2, 1, 0), bench.CHANNELS, strict=True):
        bench.choose_cell(tablet, f"Polarity, {wanted.channel}", "Proved")
        expect(marks).to_have_count(left)
    bench.all_saved(tablet)
    prove(tablet, "After")
    bench.hand_to_review(tablet)
    of_second = entries.take()

    office.open_review(manager, second)
    office.give_reason(manager, "Taken from the head unit's own aerial lead.")
    office.sign_off(manager)
    text = office.read_pdf(manager, second)
    for said in (f"{second}-1", "Weir Five", "Door plug, left", "HRN 1093"):
        assert said in " ".join(text.split())

    print(f"\nentries of the plan: {of_first['plan']} on the first car, {of_second['plan']} on")
    print(f"the second; proved in the car: {of_first['proof']} and {of_second['proof']}")
    assert of_second["plan"] * 5 <= of_first["plan"]
