"""The server does not answer, cannot, or another answers: entries wait, and go by themselves."""

import http.client
import itertools
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page, Route, expect

from shop.middleware import ABOUT
from tests.browser.conftest import SignIn
from tests.browser.test_offline import (
    BLUE,
    RED,
    STEPS,
    WIRES,
    Book,
    picture,
    plugs,
    ready_for_no_network,
    strip,
    write,
)

pytestmark = pytest.mark.browser

PORTAL = "<!doctype html><html><body><h1>Welcome to the guest wifi</h1><form>Sign in</form>"
HTML = {"Content-Type": "text/html; charset=utf-8"}

Answer = dict[str, Any]


def proxy(status: int, **headers: str) -> Answer:
    """What a proxy, or anybody but our server, says."""
    return {"status": status, "body": "<html><h1>No</h1></html>", "headers": HTML | headers}


def ours(status: int, about: str, text: str = "") -> Answer:
    """What our server says."""
    headers = {"Content-Type": "text/plain; charset=utf-8", ABOUT: about}
    return {"status": status, "body": text, "headers": headers}


NOT_ABOUT_THE_ENTRY: list[Answer | None] = [
    proxy(502),
    proxy(503),
    proxy(504),
    proxy(500),
    proxy(403),
    proxy(404),
    proxy(429),
    {"status": 200, "body": PORTAL, "headers": HTML},
    {"status": 302, "body": "", "headers": {"Location": "https://guest-wifi.example/sign-in/"}},
    {"status": 511, "body": PORTAL, "headers": HTML},
    None,
    ours(503, "later", "The database does not answer."),
]


class Outage:
    """Answers what a page posts in the server's place; `attempts` are the addresses posted to."""

    def __init__(self, page: Page, answer: Callable[[str, int], Answer | str | None]) -> None:
        self.answer = answer
        self.attempts: list[str] = []
        page.context.route("**/jobs/**", self._handle)

    def _handle(self, route: Route) -> None:
        if route.request.method != "POST":
            return route.fallback()
        path = urlsplit(route.request.url).path
        self.attempts.append(path)
        said = self.answer(path, len(self.attempts) - 1)
        if said == "pass":
            return route.fallback()
        if not isinstance(said, dict):
            return route.abort()
        return route.fulfill(**said)


STEP_S = 5
AT_REST = """async () => {
  const next = () => new Promise((go) => {
    const channel = new MessageChannel();
    channel.port1.onmessage = go;
    channel.port2.postMessage(0);
  });
  while (Loombook.outbox.state().draining) await next();
}"""


def wait_s(page: Page, seconds: float) -> None:
    """Let the page's clock go on; what it starts comes to an end before it times out."""
    while seconds > 0:
        page.evaluate(AT_REST)
        page.clock.run_for(min(seconds, STEP_S) * 1000)
        seconds -= STEP_S
    page.evaluate(AT_REST)


def open_wires(page: Page) -> None:
    """The wires of a job under a clock that stands until it is told to go on."""
    page.clock.install()
    page.goto(WIRES)
    page.evaluate("() => Loombook.outbox.ready")
    page.evaluate(
        """() => {
          window.confirmed = [];
          window.asked = [];
          window.said = [];
          const strip = document.getElementById("save-strip");
          const look = () => said.push(strip.textContent);
          new MutationObserver(look).observe(strip, { childList: true });
          document.addEventListener("outbox:answer", ({ detail }) =>
            confirmed.push(detail.entry.fields.connector[0]));
          const fetched = window.fetch;
          window.fetch = (url, options) => {
            if (options?.method === "POST") asked.push(Date.now());
            return fetched(url, options);
          };
        }"""
    )
    page.clock.pause_at(page.evaluate("() => Date.now() + 1000") / 1000)


def gaps(page: Page) -> list[float]:
    """Seconds between one attempt and the next."""
    at = page.evaluate("asked")
    return [(after - before) / 1000 for before, after in itertools.pairwise(at)]


@pytest.fixture
def book(served: str, tmp_path: Path) -> Book:
    return Book(tmp_path / "served")


def test_answers_that_are_not_about_the_entry_are_as_no_network(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers", service_workers="block")
    open_wires(page)
    script = list(NOT_ABOUT_THE_ENTRY)
    outage = Outage(page, lambda path, number: script[number] if number < len(script) else "pass")
    typed = ["First", "Second", "Third"]
    for number, value in enumerate(typed):
        write(plugs(page).nth(number), value)
    wait_s(page, 1)
    while len(outage.attempts) < len(script):
        expect(strip(page)).to_contain_text("3 entries are kept on this device and sent when")
        wait_s(page, 5)
    assert {text.split(":")[0] for text in page.evaluate("said")} >= {
        "The server does not answer",
        "The server is not ready",
        "No network",
        "Not the shop’s server answers, perhaps the sign-in page of the wifi",
    }
    assert len(set(outage.attempts[: len(script)])) == 1, "the first goes first"
    for _ in range(20):
        wait_s(page, 5)
    expect(strip(page)).to_have_attribute("data-state", "saved")
    assert page.evaluate("confirmed") == typed
    assert book.connectors()[:3] == typed
    assert [book.writings(value) for value in typed] == [1, 1, 1]
    assert page.evaluate("Loombook.outbox.entries().length + Loombook.outbox.drafts().length") == 0


def test_pauses_grow_to_a_bound_and_the_time_the_server_asks_for_is_kept(
    served: str, enter: SignIn, book: Book
) -> None:
    """Other requests are answered all the while: that alone is no reason to ask more often."""
    page = enter(served, "piers", service_workers="block")
    open_wires(page)
    said = ours(503, "later", "The database does not answer.")
    outage = Outage(page, lambda path, number: said)
    write(plugs(page).first, "Patient")
    for _ in range(300):
        wait_s(page, 1)
    found = gaps(page)
    for gap, wanted in zip(found, [2, 4, 8, 15, 30, 60, 60], strict=False):
        assert 0.75 * wanted <= gap <= 1.25 * wanted + 2, found
    assert len(found) >= 6

    outage.answer = lambda path, number: proxy(429, **{"Retry-After": "240"})
    while len(gaps(page)) == len(found):
        wait_s(page, 5)
    asked = len(outage.attempts)
    write(plugs(page).nth(1), "Patient too")
    wait_s(page, 230)
    assert len(outage.attempts) == asked
    outage.answer = lambda path, number: "pass"
    for _ in range(4):
        wait_s(page, 5)
    expect(strip(page)).to_have_attribute("data-state", "saved")
    assert page.evaluate("confirmed") == ["Patient", "Patient too"]


def test_an_entry_on_which_the_program_fails_holds_its_row_alone_and_stays(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers", service_workers="block")
    open_wires(page)
    poisoned = page.locator("tr[data-cell-form]").first.get_attribute("hx-post")
    fault = ours(500, "fault", "The program failed.")
    outage = Outage(page, lambda path, number: fault if path == poisoned else "pass")
    write(plugs(page).nth(0), "Poison")
    wait_s(page, 1)
    write(plugs(page).nth(0), "Behind it")
    for number in range(1, 5):
        write(plugs(page).nth(number), f"Other {number}")
    for _ in range(30):
        wait_s(page, 5)
    assert page.evaluate("confirmed") == [f"Other {number}" for number in range(1, 5)]
    expect(strip(page)).to_contain_text(
        "The server has trouble with 1 entry: 2 entries are kept on this device"
    )
    assert outage.attempts.count(poisoned or "") < 12, "not a storm"
    strip(page).get_by_role("button", name="Show").click()
    listed = page.get_by_role("dialog", name="Not on the server yet").get_by_role("listitem")
    expect(listed).to_have_count(2)
    expect(listed.first).to_contain_text("the server has trouble with it")
    expect(listed.first.get_by_role("button", name="Drop it")).to_be_visible()
    page.get_by_role("dialog").get_by_role("button", name="Close").click()

    outage.answer = lambda path, number: "pass"
    for _ in range(20):
        wait_s(page, 5)
    assert page.evaluate("confirmed")[4:] == ["Poison", "Behind it"]
    assert book.connectors()[0] == "Behind it"
    assert [book.writings("Poison"), book.writings("Behind it")] == [1, 1]


def test_a_program_that_fails_on_everything_is_asked_for_a_few_rows_at_a_time(
    served: str, enter: SignIn
) -> None:
    page = enter(served, "piers", service_workers="block")
    page.context.route("**/bay/changes/**", lambda route: route.abort())
    open_wires(page)
    outage = Outage(page, lambda path, number: None)
    count = plugs(page).count()
    assert count >= 5
    for number in range(count):
        write(plugs(page).nth(number), f"Cell {number}")
    wait_s(page, 100)
    outage.attempts.clear()
    outage.answer = lambda path, number: ours(500, "fault", "The program failed.")
    while not outage.attempts:
        wait_s(page, 1)
    assert len(outage.attempts) == 3
    while len(outage.attempts) < 2 * count:
        wait_s(page, 5)
    assert len(set(outage.attempts)) == count, "each row has its turn"
    expect(strip(page)).to_contain_text(f"{count} entries are kept on this device")
    outage.answer = lambda path, number: "pass"
    for _ in range(30):
        wait_s(page, 5)
    assert sorted(page.evaluate("confirmed")) == sorted(f"Cell {n}" for n in range(count))


@pytest.mark.parametrize("status", [400, 403, 404, 413])
def test_an_answer_about_the_entry_asks_the_person_and_counts_what_was_typed(
    served: str, enter: SignIn, status: int
) -> None:
    page = enter(served, "piers", service_workers="block")
    open_wires(page)
    said = proxy(413) if status == 413 else ours(status, "entry", "This sheet is closed.")
    outage = Outage(page, lambda path, number: said)
    for number in range(3):
        write(plugs(page).nth(number), f"Typed {number}")
    for _ in range(4):
        wait_s(page, 30)
    expect(strip(page)).to_contain_text("3 entries need a look")
    assert len(outage.attempts) == 3
    strip(page).get_by_role("button", name="Show").click()
    listed = page.get_by_role("dialog").get_by_role("listitem")
    expect(listed).to_have_count(3)
    for number in range(3):
        expect(plugs(page).nth(number)).to_have_value(f"Typed {number}")
        expect(listed.nth(number)).to_contain_text(f"Typed {number}")
    if status != 413:
        expect(listed.first).to_contain_text("This sheet is closed.")
    outage.answer = lambda path, number: "pass"
    for left in (2, 1, 0):
        listed.first.get_by_role("button", name="Try again").click()
        wait_s(page, 1)
        expect(listed).to_have_count(left)
    expect(strip(page)).to_have_attribute("data-state", "saved")
    assert page.evaluate("Loombook.outbox.entries().length + Loombook.outbox.drafts().length") == 0


def test_an_old_token_is_renewed_once_and_the_person_is_not_asked(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers", service_workers="block")
    open_wires(page)
    page.evaluate("document.querySelector('meta[name=csrf-token]').content = 'stale'")
    kept = [one for one in page.context.cookies() if one["name"] != "csrftoken"]
    page.context.clear_cookies()
    page.context.add_cookies(kept)
    write(plugs(page).first, "With a new token")
    wait_s(page, 1)
    expect(strip(page)).not_to_contain_text("need")
    assert page.evaluate("confirmed") == ["With a new token"]
    assert book.writings("With a new token") == 1


def test_photos_wait_for_the_server_too_and_a_poisoned_one_holds_no_other(
    served: str, enter: SignIn, book: Book
) -> None:
    page = enter(served, "piers", service_workers="block")
    page.context.route("**/bay/changes/**", lambda route: route.abort())
    page.clock.install()
    page.goto(STEPS)
    script = [proxy(502), proxy(503), {"status": 200, "body": PORTAL, "headers": HTML}]
    script += [ours(500, "fault", "The program failed.")]
    outage = Outage(page, lambda path, number: script[number] if number < len(script) else "pass")
    take = page.locator("[data-photos]:has([data-photo-input])").first
    subject = take.get_attribute("data-photos")
    before = len(book.photos(subject))
    take.locator("[data-photo-input]").set_input_files([picture(RED), picture(BLUE)])
    expect(take.locator(".photo-waiting")).to_have_count(2)
    while len(outage.attempts) < 4:
        wait_s(page, 10)
    wait_s(page, 30)
    expect(take.locator(".photo-waiting")).to_have_count(0)
    assert len(book.photos(subject)) == before + 2
    assert len(outage.attempts) == 6


class Gateway(ThreadingHTTPServer):
    """A proxy before the shop's server; `instead` answers in its place."""

    instead: tuple[int, str] | None = None

    def __init__(self, server: str) -> None:
        super().__init__(("127.0.0.1", 0), _Through)
        self.behind = urlsplit(server).netloc


class _Through(BaseHTTPRequestHandler):
    server: Gateway

    def _pass(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        if self.server.instead:
            status, html = self.server.instead
            self._answer(status, [("Content-Type", "text/html")], html.encode())
            return
        link = http.client.HTTPConnection(self.server.behind, timeout=60)
        try:
            link.request(self.command, self.path, body or None, dict(self.headers.items()))
            got = link.getresponse()
            data = got.read()
        finally:
            link.close()
        drop = {"connection", "transfer-encoding", "content-length", "date", "server"}
        self._answer(
            got.status, [(n, v) for n, v in got.getheaders() if n.lower() not in drop], data
        )

    def _answer(self, status: int, headers: list[tuple[str, str]], body: bytes) -> None:
        self.send_response(status)
        for name, value in headers:
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    do_GET = do_POST = do_HEAD = _pass  # noqa: N815

    def log_message(self, format: str, *args: Any) -> None:
        pass


@contextmanager
def gateway(server: str) -> Iterator[Gateway]:
    made = Gateway(server)
    thread = threading.Thread(target=made.serve_forever, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        made.shutdown()
        made.server_close()
        thread.join(10)


def test_kept_pages_and_scripts_outlive_a_proxy_without_server_and_a_wifi_page(
    served: str, enter: SignIn, book: Book
) -> None:
    with gateway(served) as between:
        page = enter(f"http://127.0.0.1:{between.server_port}", "piers")
        page.goto(WIRES)
        ready_for_no_network(page, WIRES)

        between.instead = (502, "<h1>Bad gateway</h1>")
        page.goto(WIRES)
        expect(page.get_by_text("the server does not answer", exact=False).first).to_be_visible()
        write(plugs(page).first, "Through a restart")
        expect(strip(page)).to_contain_text("1 entry is kept on this device")
        between.instead = None
        page.wait_for_function("() => !document.documentElement.dataset.asOf", timeout=40_000)
        assert book.writings("Through a restart") == 1

        between.instead = (200, PORTAL)
        page.goto(WIRES)
        expect(plugs(page).first).to_have_value("Through a restart")
        page.evaluate(
            """() => Promise.all(
                [...document.scripts].map((s) => fetch(s.src, { cache: "reload" })))"""
        )
        page.evaluate("fetch('/static/js/never-seen.000000000000.js')")
        write(plugs(page).nth(1), "Under a wifi page")
        expect(strip(page)).to_contain_text("sign-in page of the wifi")
        poison = page.evaluate(
            """async () => {
              const found = [];
              for (const name of await caches.keys()) {
                const cache = await caches.open(name);
                for (const key of await cache.keys())
                  if ((await (await cache.match(key)).text()).includes("guest wifi"))
                    found.push(key.url);
              }
              return found;
            }"""
        )
        assert not poison
        between.instead = None
        page.wait_for_function("() => !document.documentElement.dataset.asOf", timeout=40_000)
        assert book.writings("Under a wifi page") == 1
