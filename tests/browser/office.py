"""What the manager does, and what the desk does with a signed sheet."""

import io
import re

from playwright.sync_api import Page, expect
from pypdf import PdfReader

from tests.browser.desk import draw_signature
from tests.browser.served import PASSWORDS


def open_review(page: Page, job: str) -> None:
    """From the queue to the sheet of a job."""
    page.get_by_role("navigation", name="Main").get_by_role("link", name="Review").click()
    page.get_by_role("link", name=re.compile(job)).first.click()
    expect(page.get_by_role("heading", name=f"Review {job}")).to_be_visible()


def send_back(page: Page, reason: str) -> None:
    """Send the open sheet back with a reason."""
    page.locator("#review-bar").get_by_role("button", name="Send back…").click()
    dialog = page.get_by_role("dialog", name="Send back to the bay")
    dialog.get_by_role("textbox").fill(reason)
    dialog.get_by_role("button", name="Send back").click()
    expect(dialog).to_be_hidden()


def sign_off(page: Page) -> None:
    """Sign the open sheet, as odile, and see the signed one."""
    page.locator("#review-bar").get_by_role("button", name="Sign off").click()
    dialog = page.get_by_role("dialog", name="Sign off")
    dialog.get_by_label("Your password").fill(PASSWORDS["odile"])
    dialog.get_by_role("button", name="Sign", exact=True).click()
    expect(page.get_by_role("main")).to_contain_text("Unchanged since it was signed")


def read_pdf(page: Page, job: str) -> str:
    """Download the newest sheet of the job that is open and read its text."""
    with page.expect_download() as downloading:
        page.get_by_role("link", name="Download the PDF").click()
    download = downloading.value
    assert job in download.suggested_filename
    with open(download.path(), "rb") as file:
        reader = PdfReader(io.BytesIO(file.read()))
    return "\n".join(sheet.extract_text() for sheet in reader.pages)


def hand_over(page: Page, job: str, *, signs: str) -> None:
    """The customer signs the install sheet and takes the car."""
    page.get_by_role("link", name=re.compile("Hand over")).first.click()
    expect(page.get_by_role("main")).to_contain_text("before and after")
    draw_signature(page, page.get_by_label("Signature pad", exact=False))
    page.get_by_label("Name in capitals").fill(signs)
    page.get_by_role("button", name="Sign and hand over").click()
    expect(page.get_by_role("main")).to_contain_text("Collected")


def save_setup(page: Page, name: str) -> str:
    """Keep the signed sheet that is open as a setup."""
    page.get_by_role("link", name="Save as a setup").click()
    page.get_by_label("Name", exact=False).first.fill(name)
    page.get_by_role("button", name=re.compile("Save")).click()
    expect(page.get_by_role("main")).to_contain_text(name)
    return name
