"""Every screen against axe-core's WCAG 2.2 A and AA rules, in light and in dark."""

from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

AXE = (Path(__file__).parent / "vendor" / "axe-core-4.14.1.min.js").read_text()
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN = """options => axe.run(document, {...options, resultTypes: ["violations"]})
    .then(result => result.violations)"""

SCREENS = {
    "maud": (
        "/board/",
        "/board/?by=bay",
        "/book/",
        "/find/?q=van",
        "/customers/",
        "/customers/1/",
        "/customers/new/",
        "/vehicles/",
        "/vehicles/1/",
        "/vehicle-models/",
        "/jobs/1013/",
        "/jobs/1013/edit/",
        "/jobs/1013/parts/",
        "/jobs/1013/check-in/",
        "/jobs/1010/check-in/",
        "/jobs/1004/collect/",
        "/plan/",
        "/plan/?span=week",
        "/plan/free/",
        "/plan/parts/",
        "/jobs/1008/estimate/",
        "/jobs/1005/message/",
        "/password/",
        "/second-factor/",
        "/second-factor/app/",
    ),
    "piers": (
        "/jobs/1008/",
        "/jobs/1008/bay/fit/",
        "/jobs/1008/bay/before/",
        "/jobs/1008/bay/channels/",
        "/jobs/1008/bay/channels/?show=wires",
        "/jobs/1008/bay/channels/?show=settings",
        "/jobs/1008/bay/channels/place/front_door_left/",
        "/jobs/1008/bay/power/",
        "/jobs/1008/bay/tuning/",
        "/jobs/1006/bay/tuning/curves/",
        "/jobs/1006/bay/tuning/delays/",
        "/jobs/1006/bay/tuning/levels/",
        "/jobs/1006/bay/tuning/record/",
        "/jobs/1006/bay/tuning/measured/",
        "/jobs/1006/bay/tuning/proposal/",
        "/jobs/1006/bay/tuning/capture/",
        "/jobs/1008/bay/after/",
        "/jobs/1008/bay/findings/",
        "/jobs/1008/bay/notes/",
        "/jobs/1008/bay/steps/",
        "/jobs/1008/bay/finish/",
        "/jobs/1008/labels/",
        "/jobs/1008/photos/",
        "/time/",
        "/jobs/1013/apply-setup/1/",
    ),
    "odile": (
        "/review/",
        "/jobs/1006/review/",
        "/jobs/1007/review/",
        "/sheets/1001-1/",
        "/setups/",
        "/setups/1/",
        "/setups/1/versions/",
        "/setups/1/several-jobs/",
        "/setups/import/",
        "/wire-book/",
        "/wire-book/1/",
        "/catalogue/",
        "/catalogue/1/",
        "/catalogue/1/edit/",
        "/settings/",
        "/settings/staff/",
        "/settings/staff/1/",
        "/settings/bays/",
        "/settings/hours/",
        "/settings/steps/",
        "/settings/steps/1/",
        "/settings/label-sheets/",
        "/settings/tablets/",
        "/my-pin/",
        "/settings/tuning/",
    ),
}


def violations(page: Page, options: dict[str, Any]) -> list[str]:
    """What breaks the rules in a page that has axe-core already."""
    return [
        f"{found['id']}: {node['html'][:160]} ({node['failureSummary'].splitlines()[-1].strip()})"
        for found in page.evaluate(RUN, options)
        for node in found["nodes"][:3]
    ]


def examine(page: Page, path: str) -> list[str]:
    """All rules in light; in dark the one that colours can break."""
    page.emulate_media(color_scheme="light")
    answer = page.goto(path)
    assert answer
    assert answer.status == 200, path
    page.evaluate(AXE)
    light = violations(page, {"runOnly": {"type": "tag", "values": RULES}})
    page.emulate_media(color_scheme="dark")
    dark = violations(page, {"runOnly": {"type": "rule", "values": ["color-contrast"]}})
    return [f"{path} light: {one}" for one in light] + [f"{path} dark: {one}" for one in dark]


@pytest.mark.parametrize("username", SCREENS)
def test_no_screen_breaks_a_rule(shown: str, enter: SignIn, username: str) -> None:
    page = enter(shown, username)
    found = [one for path in SCREENS[username] for one in examine(page, path)]
    assert not found, "\n".join(found)


def test_the_sign_in_page_breaks_no_rule(shown: str, page: Page) -> None:
    found = examine(page, f"{shown}/sign-in/")
    assert not found, "\n".join(found)
