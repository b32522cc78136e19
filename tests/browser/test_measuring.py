"""A browser whose microphone hears a car: from the signal to curves, a proposal and the sheet."""

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Browser, BrowserType, Page, expect
from pypdf import PdfReader

from tests.browser.conftest import sign_in
from tests.conftest import CHROMIUM, CHROMIUM_ARGUMENTS, TABLET
from tests.wiring.measure.cabins import Driver, recorded
from wiring.measure.signals import SignalSpec

pytestmark = pytest.mark.browser

JOB = 1008
DOOR = Driver((("highpass", 2, 90.0), ("lowpass", 1, 4000.0)), delay_ms=3.0)

Hears = Callable[[str, str], Page]


def sound(path: Path) -> Path:
    """What the microphone hears over and over: a little of the room, then the signal."""
    samples = recorded(SignalSpec(seconds=2.0), [DOOR], late_s=-1.2)
    soundfile.write(path, samples / np.abs(samples).max() / 2, 48_000, "PCM_16")
    return path


@pytest.fixture
def hears(browser_type: BrowserType, tmp_path: Path) -> Iterator[Hears]:
    """`hears(address, "piers")`: a signed-in page whose microphone hears the car."""
    browsers: list[Browser] = []

    def open_page(address: str, username: str) -> Page:
        fake = [
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-audio-capture={sound(tmp_path / 'car.wav')}",
        ]
        browser = browser_type.launch(executable_path=CHROMIUM, args=[*CHROMIUM_ARGUMENTS, *fake])
        browsers.append(browser)
        context = browser.new_context(base_url=address, viewport=TABLET, permissions=["microphone"])
        return sign_in(context, address, username)

    yield open_page
    for browser in browsers:
        browser.close()


def choose(page: Page, phase: str, playing: str) -> None:
    page.goto(f"/jobs/{JOB}/bay/tuning/record/")
    page.get_by_role("radio", name=phase).check(force=True)
    value = page.get_by_label("Playing").locator("option", has_text=playing).first
    page.get_by_label("Playing").select_option(value.get_attribute("value"))
    page.get_by_label("Microphone at").fill("head, centre")
    page.get_by_role("group", name="Length").get_by_label("2 s").check(force=True)


def hear(page: Page) -> None:
    """One tap: it plays, listens, and stops by itself."""
    page.get_by_role("button", name="Play and record").click()
    expect(page.get_by_role("button", name="Stop recording")).to_be_visible()
    expect(page.get_by_role("button", name="Stop recording")).to_be_hidden(timeout=60_000)


def test_from_the_signal_to_a_proposal_and_the_sheet(served: str, hears: Hears) -> None:
    page = hears(served, "piers")
    choose(page, "After", "A1.1")
    expect(page.locator("[data-record-says]")).to_have_text("−50\u00a0dB")
    page.get_by_role("button", name="Louder").click()
    expect(page.locator("[data-record-says]")).to_have_text("−45\u00a0dB")
    # By ear: another signal begins at its lowest again, and nothing is recorded.
    page.get_by_role("radio", name="Tone").check(force=True)
    expect(page.get_by_role("group", name="Frequency")).to_be_visible()
    expect(page.locator("[data-record-says]")).to_have_text("−50\u00a0dB")
    page.get_by_role("button", name="Play only").click()
    page.get_by_role("button", name="Stop playing").click()
    expect(page.get_by_role("button", name="Play and record")).to_be_visible()
    page.get_by_role("radio", name="Sweep").check(force=True)
    page.get_by_role("button", name="Louder").click()
    hear(page)
    expect(page.get_by_text("The recording is kept.")).to_be_visible()
    row = page.locator("#recordings tbody tr").first
    expect(row).to_contain_text("A1.1")
    expect(row).to_contain_text("as the signal")

    # Without a network it waits on the device, and arrives once.
    choose(page, "Before", "Everything")
    page.context.set_offline(True)
    page.get_by_role("button", name="Record only").click()
    expect(page.locator("[data-record-time]")).to_have_text("9\u00a0s", timeout=30_000)
    page.get_by_role("button", name="Stop recording").click()
    expect(page.locator("#save-strip")).to_contain_text("kept on this device")
    page.context.set_offline(False)
    expect(page.locator("#recordings h2").first).to_contain_text("Everything", timeout=30_000)

    page.get_by_role("link", name="Proposal").click()
    expect(page.get_by_role("main")).to_contain_text("A1.1")
    draft = page.request.get(f"/jobs/{JOB}/sheet-preview/")
    text = "".join(one.extract_text() for one in PdfReader(io.BytesIO(draft.body())).pages)
    assert "Everything" in text
    assert "head, centre" in " ".join(text.split())
