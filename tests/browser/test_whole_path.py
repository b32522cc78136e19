"""One real job from the phone to the signed sheet, and the next car, with another amplifier."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser import bench, desk, office
from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

PARTS = [("weir four", "Weir Four"), ("dunnock", "Dunnock 130")]
OTHERS = [("weir five", "Weir Five"), ("dunnock", "Dunnock 130")]
QUANTITIES = {"Dunnock 130": "4"}
BEFORE = {
    "Battery at rest": "12.6",
    "Charging voltage, engine running": "14.3",
    "Key-off draw, asleep": "0.02",
}
AFTER = {
    **BEFORE,
    "Voltage at A1 under load": "13.7",
    "Output voltage of A1 at the test tone": "17",
}


def test_from_the_phone_call_to_the_signed_sheet_and_the_next_car(
    served: str, enter: SignIn
) -> None:
    counter = enter(served, "maud")
    job = desk.book_new_car(
        counter,
        customer="Perpetua Gorsefield",
        phone="555-0188",
        plate="NEW 2001",
        vin="1XWTA3E54SL020011",
        parts=PARTS,
        quantities=QUANTITIES,
    )
    desk.check_in(counter, job, signs="P GORSEFIELD")

    tablet = enter(served, "piers")
    bench.put_on_hold(tablet, "J1009", "Waits for a new earth strap.")
    tablet.goto(f"/jobs/{job[1:]}/")
    bench.start_work(tablet, job)
    bench.prove_fit(tablet)
    bench.try_functions(tablet, "Before")
    bench.take_readings(tablet, BEFORE)
    bench.plan_channels(tablet)
    bench.plan_power(tablet)
    bench.tune(tablet)
    bench.try_functions(tablet, "After")
    bench.take_readings(tablet, AFTER)
    bench.write_note(tablet, "Door clips replaced, two left.")
    bench.hand_to_review(tablet)

    manager = enter(served, "odile")
    office.open_review(manager, job)
    office.send_back(manager, "Write the grommet's place into the notes.")

    tablet.reload()
    reason = tablet.get_by_text("Write the grommet's place into the notes.")
    expect(reason.first).to_be_visible()
    bench.write_note(tablet, "Grommet behind the left kick panel.")
    bench.tick_off(tablet)
    bench.hand_to_review(tablet)

    office.open_review(manager, job)
    expect(manager.get_by_role("button", name="Sign off")).to_have_count(0)
    office.give_reason(manager, "Taken from the head unit's own aerial lead.")
    office.sign_off(manager)
    text = office.read_pdf(manager, job)
    for said in (
        f"{job}-1",
        "NEW 2001",
        "Perpetua Gorsefield",
        "W4-90001",
        "List 14, line 212",
        "Door plug, left",
        "Grommet behind the left kick panel.",
        "aerial lead",
        "Piers Underlow",
        "Odile Marchbank",
    ):
        assert said in " ".join(text.split())
    setup = office.save_setup(manager, "Four coaxials")

    counter.goto(f"/jobs/{job[1:]}/")
    office.hand_over(counter, job, signs="P GORSEFIELD")
    counter.goto("/board/")
    expect(counter.get_by_role("main")).not_to_contain_text("NEW 2001")

    following = desk.book_known_car(counter, plate="HRN 1093", parts=OTHERS, quantities=QUANTITIES)
    desk.check_in(counter, following, signs="T BRANDRETH")
    expect(counter.get_by_role("main")).to_contain_text("HRN 1093")
    tablet.goto(f"/jobs/{following[1:]}/")
    bench.start_work(tablet, following)
    tablet.goto(f"/jobs/{following[1:]}/")
    offer = tablet.get_by_role("region", name="Saved setups for this car")
    expect(offer).to_contain_text("Not in the setup: Harnbeck Weir Five")
    offer.get_by_role("link", name=setup).click()
    expect(tablet.get_by_role("main")).to_contain_text("4 amplifier channels in the setup, 5 here")
    for group in ("Parts that stand", "Channels and wires", "Settings, into", "Power"):
        tablet.get_by_role("button", name=f"that differ in {group}").click()
    tablet.get_by_role("button", name="Apply what is chosen").click()
    expect(tablet.get_by_role("main")).to_contain_text("applied")

    tablet.goto(f"/jobs/{following[1:]}/bay/channels/")
    expect(
        tablet.get_by_role("link", name=re.compile("Rear door right: .*fed by A1.4"))
    ).to_be_visible()
    tablet.get_by_role("link", name="Wires").click()
    marks = tablet.get_by_text("Reconfirm", exact=True)
    expect(marks).to_have_count(len(bench.CHANNELS))
    bench.choose_cell(tablet, f"Polarity, {bench.CHANNELS[0].channel}", "Proved")
    expect(marks).to_have_count(len(bench.CHANNELS) - 1)
