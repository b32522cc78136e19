"""Poor wifi: entries made without a network, a server that dies, two people on one cell."""

import os
import signal
import sqlite3
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import SignIn
from tests.browser.served import PASSWORDS, copy_demo, start
from tests.browser.test_accessible import AXE, RULES, violations
from tests.browser.test_bay_hands import SMALL, TOUCH_PX

pytestmark = pytest.mark.browser

JOB = 1008
"""In the bay with channels, steps and a technician: piers."""
WIRES = f"/jobs/{JOB}/bay/channels/?show=wires"
SETTINGS = f"/jobs/{JOB}/bay/channels/?show=settings"
STEPS = f"/jobs/{JOB}/bay/steps/"
NOTES = f"/jobs/{JOB}/bay/notes/"
RED, BLUE = (200, 30, 30), (30, 30, 200)
KEPT = """async (page) => {
  for (const name of await caches.keys())
    if (name.startsWith("pages-") && (await (await caches.open(name)).match(page))) return true;
  return false;
}"""
SOON_KEPT = f"""async (page) => {{
  const kept = {KEPT};
  const pause = () => new Promise((go) => setTimeout(go, 100));
  for (const end = Date.now() + 60000; Date.now() < end; await pause())
    if (await kept(page)) return;
  throw new Error("This page is not kept: " + page);
}}"""


class Book:
    """The served shop's database, read from outside."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "loombook.sqlite3"

    def rows(self, query: str, *values: Any) -> list[Any]:
        with sqlite3.connect(self.path) as book:
            return book.execute(query, values).fetchall()

    def connectors(self) -> list[str]:
        """Plugs of the job's channels, in the order of the page."""
        query = (
            "select connector from jobs_channel c join jobs_job j on j.id = c.job_id"
            " where j.number = ? order by c.part_id, c.kind, c.number"
        )
        return [row[0] for row in self.rows(query, JOB)]

    def photos(self, subject: str | None) -> list[Any]:
        """Photos that show this row."""
        return self.rows("select key from jobs_photo where subject = ?", subject)

    def writings(self, value: str) -> int:
        """How often the log says that this plug was written."""
        query = (
            "select count(*) from jobs_jobevent where code = 'channel.changed'"
            " and json_extract(after, '$.connector') = ?"
        )
        return int(self.rows(query, value)[0][0])


@pytest.fixture
def book(served: str, tmp_path: Path) -> Book:
    return Book(tmp_path / "served")


def ready_for_no_network(page: Page, *pages: str) -> None:
    """Wait until the service worker has the page and keeps these pages."""
    page.wait_for_function("() => Boolean(navigator.serviceWorker.controller)")
    for one in pages:
        page.evaluate(SOON_KEPT, one)


def plugs(page: Page) -> Locator:
    return page.locator("table.wires input[name=connector]")


def levels(page: Page) -> Locator:
    return page.locator("input[name=level_db]")


def write(cell: Locator, value: str) -> None:
    cell.fill(value)
    cell.press("Tab")


def strip(page: Page) -> Locator:
    return page.locator("#save-strip")


def picture(colour: tuple[int, int, int]) -> dict[str, Any]:
    made = BytesIO()
    Image.new("RGB", (640, 480), colour).save(made, "JPEG")
    return {"name": "photo.jpg", "mimeType": "image/jpeg", "buffer": made.getvalue()}


def test_ten_cells_two_photos_and_a_note_without_network_arrive_once(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers")
    page.goto(WIRES)
    ready_for_no_network(page, WIRES, STEPS, NOTES)
    context = page.context
    context.set_offline(True)
    typed = [f"Away {number}" for number in range(10)]
    for number, value in enumerate(typed):
        write(plugs(page).nth(number), value)
    expect(strip(page)).to_contain_text("10 entries are kept on this device")

    page.goto(STEPS)
    expect(page.get_by_text("no network", exact=False).first).to_be_visible()
    take = page.locator("[data-photos]:has([data-photo-input])").first
    subject = take.get_attribute("data-photos")
    before = book.photos(subject)
    take.locator("[data-photo-input]").set_input_files([picture(RED), picture(BLUE)])
    expect(take.locator(".photo-waiting")).to_have_count(2)
    expect(strip(page)).to_contain_text("12 entries are kept")

    page.goto(NOTES)
    page.get_by_label("New note").fill("Clip behind the sill is cracked.")
    page.get_by_role("button", name="Add note").click()
    expect(page.get_by_text("not on the server yet")).to_be_visible()

    page.goto(WIRES)
    page.reload()
    for number, value in enumerate(typed):
        expect(plugs(page).nth(number)).to_have_value(value)
    expect(strip(page)).to_contain_text("13 entries are kept")
    strip(page).get_by_role("button", name="Show").click()
    waiting = page.get_by_role("dialog", name="Not on the server yet")
    expect(waiting.get_by_role("listitem")).to_have_count(13)
    waiting.get_by_role("button", name="Close").click()
    assert not set(typed) & set(book.connectors())

    context.set_offline(False)
    expect(strip(page)).not_to_contain_text("kept on this device", timeout=30_000)
    page.wait_for_function("() => !document.documentElement.dataset.asOf", timeout=30_000)
    assert book.connectors()[:10] == typed
    assert [book.writings(value) for value in typed] == [1] * 10
    assert len(book.photos(subject)) == len(before) + 2
    notes = book.rows("select count(*) from jobs_jobnote where text like 'Clip behind%'")
    assert notes == [(1,)]


def test_a_browser_without_a_worker_keeps_entries_too(
    served: str, enter: SignIn, book: Book
) -> None:
    """As over plain HTTP under another name than localhost."""
    page = enter(served, "piers", service_workers="block")
    page.goto(WIRES)
    page.context.set_offline(True)
    write(plugs(page).first, "No worker")
    expect(strip(page)).to_contain_text("1 entry is kept on this device")
    page.context.set_offline(False)
    expect(strip(page)).to_contain_text("All saved")
    assert book.writings("No worker") == 1


def test_what_is_shown_without_network_breaks_no_rule(
    served: str, enter: SignIn, book: Book
) -> None:
    """The page with a clash and a refused value, the list of what waits, the last page."""
    page, other = enter(served, "piers"), enter(served, "wanda")
    found = []

    def examine(what: str) -> None:
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.evaluate("scrollTo(0, 0)")  # What lies under the tabs is no target.
            page.evaluate(AXE)
            said = violations(page, {"runOnly": {"type": "tag", "values": RULES}})
            small = page.evaluate(SMALL, TOUCH_PX)
            found.extend(f"{what}, {scheme}: {one}" for one in said + small)

    page.goto(SETTINGS)
    ready_for_no_network(page, SETTINGS)
    other.goto(SETTINGS)
    page.context.set_offline(True)
    write(levels(page).nth(0), "-7")
    write(levels(page).nth(1), "loud")
    write(levels(other).nth(0), "-9")
    expect(strip(other)).to_contain_text("All saved")
    page.reload()
    expect(strip(page)).to_contain_text("2 entries are kept")
    examine("kept page")
    strip(page).get_by_role("button", name="Show").click()
    examine("list of what waits")
    page.goto("/vehicles/")
    expect(page.get_by_text("not on this device")).to_be_visible()
    examine("last page")
    page.context.set_offline(False)
    page.goto(SETTINGS)
    expect(page.locator("tr[data-cell-form]").first.get_by_role("alert")).to_be_visible()
    expect(levels(page).nth(1)).to_have_value("loud")
    expect(levels(page).nth(1)).to_have_attribute("aria-invalid", "true")
    expect(strip(page)).to_contain_text("2 entries need a look")
    examine("clash and refused value")
    strip(page).get_by_role("button", name="Show").click()
    examine("list of what needs a look")
    loud = page.get_by_role("listitem").filter(has_text="loud")
    expect(loud).to_contain_text("No number")
    loud.get_by_role("button", name="Drop it").click()
    expect(levels(page).nth(1)).not_to_have_value("loud")
    page.get_by_role("button", name="Keep theirs").click()
    expect(strip(page)).to_contain_text("All saved")
    assert not found, "\n".join(found)


def test_what_was_typed_and_not_finished_stands_in_its_cell_again(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers")
    page.goto(WIRES)
    stood = book.connectors()[0]
    plugs(page).first.fill("Half a plu")
    page.goto("/board/")
    page.goto(WIRES)
    expect(plugs(page).first).to_have_value("Half a plu")
    expect(page.locator("tr[data-cell-form]").first).to_contain_text("Typed, not saved")
    assert book.connectors()[0] == stood
    plugs(page).first.press("Tab")
    expect(strip(page)).to_contain_text("All saved")
    assert book.connectors()[0] == "Half a plu"
    at_once = plugs(page).first.evaluate(
        """cell => {
          cell.value = "At once";
          cell.dispatchEvent(new Event("change", { bubbles: true }));
          return document.querySelector("#save-strip").textContent;
        }"""
    )
    assert "All saved" not in at_once, "what this device has not even kept yet was called saved"
    expect(strip(page)).to_contain_text("All saved")


def test_two_people_on_one_cell_choose_and_the_log_keeps_both(
    served: str, enter: SignIn, book: Book
) -> None:
    mine, theirs = enter(served, "piers"), enter(served, "wanda")
    for page in (mine, theirs):
        page.goto(WIRES)
    mine.context.set_offline(True)
    for number, value in enumerate(("Mine 0", "Mine 1")):
        write(plugs(mine).nth(number), value)
    for number, value in enumerate(("Theirs 0", "Theirs 1")):
        write(plugs(theirs).nth(number), value)
    expect(strip(theirs)).to_contain_text("All saved")
    mine.context.set_offline(False)

    row = mine.locator("tr[data-cell-form]")
    for number in range(2):
        box = row.nth(number).get_by_role("alert")
        expect(box).to_contain_text(
            f"you wrote Mine {number}; Wanda Tresk wrote Theirs {number} at"
        )
    row.nth(0).get_by_role("button", name="Use mine").click()
    expect(plugs(mine).nth(0)).to_have_value("Mine 0")
    row.nth(1).get_by_role("button", name="Keep theirs").click()
    expect(plugs(mine).nth(1)).to_have_value("Theirs 1")
    expect(strip(mine)).to_contain_text("All saved")
    assert book.connectors()[:2] == ["Mine 0", "Theirs 1"]
    mine.goto(f"/jobs/{JOB}/?history=all#history")
    kept = book.rows("select after from jobs_jobevent where code = 'entry.clash'")
    assert sorted(row[0] for row in kept) == ['{"connector": "Mine 0"}', '{"connector": "Mine 1"}']


def test_what_others_change_appears_beside_what_is_being_typed(
    served: str, enter: SignIn, book: Book
) -> None:
    mine, theirs = enter(served, "piers"), enter(served, "wanda")
    for page in (mine, theirs):
        page.goto(WIRES)
    plugs(mine).nth(0).press_sequentially("typing")
    typed = plugs(mine).nth(0).input_value()
    write(plugs(theirs).nth(1), "From the other tablet")
    write(plugs(theirs).nth(0), "Under the caret")
    expect(plugs(mine).nth(1)).to_have_value("From the other tablet", timeout=15_000)
    expect(plugs(mine).nth(0)).to_have_value(typed)
    expect(plugs(mine).nth(0)).to_be_focused()
    plugs(mine).nth(0).press("Tab")
    expect(mine.locator("tr[data-cell-form]").first.get_by_role("alert")).to_contain_text(
        "Wanda Tresk wrote Under the caret"
    )


def sign_out(page: Page) -> None:
    page.locator(".user-menu summary").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_label("Sign-in name")).to_be_visible()


def sign_in_here(page: Page, username: str) -> None:
    """On this device, after somebody else."""
    page.get_by_label("Sign-in name").fill(username)
    page.get_by_label("Password").fill(PASSWORDS[username])
    page.get_by_role("button", name="Sign in").click()
    expect(page.locator(".user-menu")).to_be_visible()


def test_the_next_person_sees_no_page_and_sends_no_entry_of_the_last(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers")
    page.goto(WIRES)
    ready_for_no_network(page, WIRES)
    page.context.route("**/wire/", lambda route: route.abort())
    write(plugs(page).first, "Of piers")
    expect(strip(page)).to_contain_text("1 entry is kept on this device")
    # ASVS 5.0 (2025), 14.3.1: without a network nothing is left to read either.
    page.context.set_offline(True)
    page.locator(".user-menu summary").click()
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_text("no page is left on this device")).to_be_visible()
    assert not page.evaluate(KEPT, WIRES)
    page.goto(WIRES)
    expect(page.get_by_text("this page is not on this device")).to_be_visible()
    page.context.set_offline(False)
    page.goto(WIRES)
    ready_for_no_network(page, WIRES)
    sign_out(page)
    assert not page.evaluate(KEPT, WIRES)
    page.context.unroute_all()
    sign_in_here(page, "wanda")
    expect(strip(page)).to_contain_text("1 entry of other people on this device")
    page.goto(WIRES)
    write(plugs(page).nth(1), "Of wanda")
    expect(strip(page)).to_contain_text("All saved")
    assert book.writings("Of piers") == 0
    sign_out(page)

    sign_in_here(page, "piers")
    page.evaluate("() => Loombook.outbox.ready")
    page.wait_for_function("() => Loombook.outbox.entries().length === 0")
    query = (
        "select username from jobs_jobevent e join shop_staffmember s on s.id = e.actor_id"
        " where json_extract(after, '$.connector') = ?"
    )
    assert book.rows(query, "Of piers") == [("piers",)]
    assert book.rows(query, "Of wanda") == [("wanda",)]


class Server:
    """The shop served from a folder of its own, killed and started again at one address."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.address = f"http://127.0.0.1:{port}"
        self.process: subprocess.Popen[bytes] = start(folder, port)

    def start(self) -> None:
        self.process = start(self.folder, self.port)

    def kill(self) -> None:
        """As a power cut does: no time to finish anything."""
        pid = self.process.pid
        workers = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in (pid, *map(int, workers)):
            with suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        self.process.wait(20)


@pytest.fixture
def mortal(demo_data: Path, tmp_path: Path) -> Iterator[Server]:
    folder = tmp_path / "mortal"
    server = Server(folder, copy_demo(demo_data, folder))
    yield server
    server.process.terminate()
    server.process.wait(20)


def test_a_server_killed_in_the_middle_of_saves_loses_and_doubles_nothing(
    mortal: Server, enter: SignIn
) -> None:
    page = enter(mortal.address, "piers")
    page.goto(WIRES)
    page.evaluate(
        """() => {
          window.confirmed = [];
          document.addEventListener("outbox:answer", ({ detail }) =>
            detail.status === 200 && confirmed.push(detail.entry.key));
        }"""
    )
    rounds = 3
    count = plugs(page).count()
    for turn in range(rounds):
        for number in range(count):
            write(plugs(page).nth(number), f"Cell {number} round {turn}")
        if turn == 0:
            page.wait_for_function("() => confirmed.length >= 3")
            mortal.kill()
    expect(strip(page)).to_contain_text("kept on this device")
    confirmed = page.evaluate("confirmed")
    assert 3 <= len(confirmed) < rounds * count
    book = Book(mortal.folder)
    kept = {row[0] for row in book.rows("select key from jobs_jobevent where key is not null")}
    assert set(confirmed) <= kept

    mortal.start()
    expect(strip(page)).to_contain_text("All saved", timeout=60_000)
    assert book.connectors() == [f"Cell {number} round {rounds - 1}" for number in range(count)]
    writings = [
        book.writings(f"Cell {number} round {turn}")
        for number in range(count)
        for turn in range(rounds)
    ]
    assert writings == [1] * (rounds * count)
    assert book.rows("select count(*) from jobs_jobevent where code = 'entry.clash'") == [(0,)]
