"""Two walks through the bay sheet as a technician does them, every tap and key counted.

The first car of a model is entered whole; on the second its saved setup is taken over. The counts
are the assertion: what a change costs the hands is seen here.
"""

from collections import Counter
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser import bench, desk, office
from tests.browser.conftest import SignIn
from tests.browser.test_whole_path import AFTER, BEFORE, PARTS, QUANTITIES

pytestmark = pytest.mark.browser

TABLET = {"width": 1180, "height": 820}
MOST_FIRST = {"taps": 138, "keys": 205}
MOST_SECOND = {"taps": 38, "keys": 42}

WATCH = """
addEventListener("pointerdown", () => window.counted("taps", 1), true);
addEventListener("change", (event) => {
  const one = event.target;
  if (one.matches("select")) window.counted("taps", 2);
  else if (one.matches("input:not([type=radio], [type=checkbox], [type=file]), textarea")) {
    window.counted("taps", 1);
    window.counted("keys", one.value.length);
  }
}, true);
"""
"""A field that was filled in is one tap on it and a key for each character; a choice in a list is a
tap that opens it and one that chooses. A script that fills a field needs no pointer, so these are
counted by what changed; everything else by the pointer."""


class Hands:
    """Counts the taps and keys of everything done in a page from now on."""

    def __init__(self, page: Page) -> None:
        self.counts: Counter[str] = Counter()
        page.context.expose_binding("counted", self._add)
        page.context.add_init_script(WATCH)

    def _add(self, source: Any, what: str, count: int) -> None:
        self.counts[what] += count

    def take(self) -> dict[str, int]:
        """The counts so far; the next ones start from nothing."""
        counted, self.counts = self.counts, Counter()
        return {"taps": counted["taps"], "keys": counted["keys"]}


def prove_wires(tablet: Page) -> None:
    """Each wire by one tap, on the page the short list leads to."""
    tablet.get_by_role("link", name="Wires whose polarity is not proved").click()
    for wanted in bench.CHANNELS:
        group = tablet.get_by_role("group", name=f"Polarity, {wanted.channel}")
        group.get_by_role("radio", name="Proved").check(force=True)
    bench.all_saved(tablet)
    for wanted in bench.CHANNELS:
        group = tablet.get_by_role("group", name=f"Polarity, {wanted.channel}")
        expect(group.get_by_role("radio", name="Proved")).to_be_checked()


def prove_functions(tablet: Page, tab: str) -> None:
    bench.section(tablet, tab)
    if tab == "Before":
        absent = tablet.get_by_role("group", name="Blind spot warning", exact=True)
        absent.get_by_role("radio", name="Not fitted").check(force=True)
        bench.all_saved(tablet)
    everything = tablet.get_by_role("button", name="All of these work")
    while left := everything.count():
        everything.first.click()
        expect(everything).to_have_count(left - 1)


def read(tablet: Page, values: dict[str, str], instrument: str = "") -> None:
    """Each value; the instrument once, it is carried on."""
    for label, value in values.items():
        bench.fill_cell(tablet, f"Value, {label}", value)
        if instrument:
            bench.fill_cell(tablet, f"Meter, {label}", instrument)
            instrument = ""
    bench.all_saved(tablet)


def test_taps_and_keys_of_the_first_car_and_of_the_second(served: str, enter: SignIn) -> None:
    counter = enter(served, "maud")
    first = desk.book_new_car(
        counter,
        customer="Perpetua Gorsefield",
        phone="555-0188",
        plate="NEW 2001",
        vin="1XWTA3E54SL020011",
        parts=PARTS,
        quantities=QUANTITIES,
    )
    desk.check_in(counter, first, signs="P GORSEFIELD")
    tablet = enter(served, "piers", viewport=TABLET)
    bench.put_on_hold(tablet, "J1009", "Waits for a new earth strap.")
    hands = Hands(tablet)
    tablet.goto(f"/jobs/{first[1:]}/")
    bench.start_work(tablet, first)
    bench.prove_fit(tablet)
    prove_functions(tablet, "Before")
    read(tablet, BEFORE, "Multimeter 2")
    bench.plan_channels(tablet)
    bench.plan_power(tablet)
    bench.tune(tablet)
    prove_functions(tablet, "After")
    read(tablet, AFTER)
    bench.hand_to_review(tablet)
    of_first = hands.take()
    print(f"\nfirst car: {of_first}")

    manager = enter(served, "odile")
    office.open_review(manager, first)
    office.give_reason(manager, "Taken from the head unit's own aerial lead.")
    office.sign_off(manager)
    office.save_setup(manager, "Four coaxials")
    manager.get_by_role("button", name="Approve").click()
    expect(manager.get_by_role("main")).to_contain_text("Approved by")

    second = desk.book_known_car(counter, plate="HRN 1093", parts=PARTS, quantities=QUANTITIES)
    desk.check_in(counter, second, signs="T BRANDRETH")
    tablet.goto(f"/jobs/{second[1:]}/")
    hands.take()
    bench.start_work(tablet, second)
    bench.section(tablet, "Fit")
    offer = tablet.get_by_role("region", name="Saved setups for this car")
    offer.get_by_role("button", name="Take it over").first.click()
    expect(tablet.get_by_role("region", name="Left to do on this car")).to_be_visible()
    prove_wires(tablet)
    bench.section(tablet, "Fit")
    tablet.get_by_role("button", name="Add proof").click()
    expect(tablet.get_by_text("List 14, line 212")).to_be_visible()
    bench.fill_cell(tablet, "Serial number, A1", "W4-90001")
    bench.all_saved(tablet)
    prove_functions(tablet, "Before")
    read(tablet, BEFORE)
    prove_functions(tablet, "After")
    read(tablet, AFTER)
    bench.hand_to_review(tablet)
    of_second = hands.take()

    print(f"second car: {of_second}")
    for counted, most in ((of_first, MOST_FIRST), (of_second, MOST_SECOND)):
        assert all(0 < counted[what] <= most[what] for what in most), (counted, most)
