"""The bay sheet by gloved fingers and by keyboard alone."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import SignIn

pytestmark = pytest.mark.browser

SCREENS = (
    "/jobs/1008/bay/steps/",
    "/jobs/1008/bay/fit/",
    "/jobs/1008/bay/before/",
    "/jobs/1008/bay/after/",
    "/jobs/1008/bay/channels/",
    "/jobs/1008/bay/channels/?show=wires",
    "/jobs/1008/bay/channels/?show=polarity",
    "/jobs/1008/bay/channels/?show=settings",
    "/jobs/1008/bay/channels/place/front_door_left/",
    "/jobs/1008/bay/power/",
    "/jobs/1008/bay/power/?show=cable",
    "/jobs/1008/bay/tuning/",
    "/jobs/1008/bay/tuning/record/",
    "/jobs/1008/bay/findings/",
    "/jobs/1008/bay/notes/",
    "/jobs/1008/bay/finish/",
)
WIDE_TABLES = "/jobs/1013/apply-setup/1/"
TOUCH_PX = 48
SMALL = """px => {
  const found = [];
  const choose = "a[href], button, summary, select, textarea, input:not([type=hidden])";
  for (const one of document.querySelectorAll(choose)) {
    if (!one.checkVisibility({ visibilityProperty: true }) || one.closest(".skip-link")) continue;
    const inText = one.matches("a") && getComputedStyle(one).display === "inline";
    if (inText && one.closest("p, li")) continue;
    const label = one.matches("[type=radio], [type=checkbox], [type=file]") && one.closest("label");
    const cell = one.closest("table.grid td");
    const target = label || (cell && one.matches("input, select, textarea") ? cell : one);
    const { width, height } = target.getBoundingClientRect();
    if (width && height && (width < px - 0.5 || height < px - 0.5))
      found.push(`${Math.round(width)} x ${Math.round(height)} ${one.outerHTML.slice(0, 120)}`);
  }
  return found;
}"""


TABLET_PX = 1180
TURNED = (820, TABLET_PX)
SIZES = ((TABLET_PX, 820), TURNED, (390, 844))
SCROLLS = """phone => {
  const wide = document.documentElement.clientWidth;
  const found = [];
  const say = (what, one) => found.push(`${what}: ${one.outerHTML.slice(0, 120)}`);
  if (document.documentElement.scrollWidth > wide) say("the page goes sideways", document.body);
  for (const one of document.querySelectorAll("main *")) {
    if (!one.checkVisibility({ visibilityProperty: true })) continue;
    if (one.closest("dialog, textarea")) continue;
    if (phone && one.closest("nav.tabs")) continue;
    const style = getComputedStyle(one);
    const scrolls = (flow, all, seen) => /auto|scroll/.test(flow) && all > seen + 1;
    if (scrolls(style.overflowX, one.scrollWidth, one.clientWidth)) say("sideways inside", one);
    if (scrolls(style.overflowY, one.scrollHeight, one.clientHeight)) say("a scroll inside", one);
    if (one.closest("thead") || one.matches("select, .visually-hidden")) continue;
    const words = one.childElementCount ? "" : one.textContent.trim();
    if (words && one.getBoundingClientRect().right > wide + 1) say("beyond the window", one);
    if (one.matches("svg text")) {
      const size = parseFloat(style.fontSize) * one.getScreenCTM().a;
      if (size < 13.5 && !one.closest(".car")) say(`text of ${size.toFixed(1)} px`, one);
    }
  }
  return found;
}"""


DRAWN = """() => {
  const plots = [...document.querySelectorAll("svg.plot")];
  const sized = (one) => !one.clientWidth || one.dataset.sized;
  return !document.querySelector(".plot-wait") && plots.every(sized);
}"""
"""Whether every plot has come, and its text is as large as the page's."""


DRAWN_ANEW = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


def sizes_of(page: Page, path: str) -> Iterator[tuple[int, list[str]]]:
    """One page at every size, its width and what scrolls: a tablet that is turned, a phone."""
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        if (width, height) != TURNED:
            page.goto(path)
        page.evaluate(DRAWN_ANEW)
        page.wait_for_function(DRAWN)
        yield width, page.evaluate(SCROLLS, width < 640)


def test_every_page_is_for_gloves_and_scrolls_as_one(shown: str, enter: SignIn) -> None:
    """At every size nothing scrolls inside a page, and every target takes a gloved finger."""
    scrolls, small = [], []
    page = enter(shown, "piers")
    for path in SCREENS:
        for width, found in sizes_of(page, path):
            scrolls += [f"{width}: {path}: {one}" for one in found]
            if width == TABLET_PX:
                small += [f"{path}: {one}" for one in page.evaluate(SMALL, TOUCH_PX)]
                assert page.evaluate(SMALL, 4 * TOUCH_PX), "nothing was measured"
    page.goto(WIDE_TABLES)
    wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert wide <= 0, "a wide table scrolls within, not the page with it"
    assert not scrolls, "\n".join(scrolls)
    assert not small, "\n".join(small)


def focused(page: Page) -> str:
    """What the focus is on, as a person would name it."""
    said = page.evaluate(
        """() => {
          const one = document.activeElement;
          const set = one.type === "radio" && one.closest("fieldset").querySelector("legend");
          const label = one.getAttribute("aria-label") || one.labels?.[0]?.textContent;
          const said = `${set ? set.textContent : ""} ${label || one.textContent}`;
          return said.trim().replace(/\\s+/g, " ");
        }"""
    )
    return str(said)


def tab_to(page: Page, name: str, key: str = "Tab", most: int = 400) -> None:
    """Move on until the focus is on what is called so."""
    for _ in range(most):
        page.keyboard.press(key)
        if focused(page).startswith(name):
            return
    raise AssertionError(f"The keyboard does not reach {name}; it is on {focused(page)}.")


def test_the_sheet_is_filled_in_by_keyboard_alone(served: str, enter: SignIn) -> None:
    page = enter(served, "piers")
    page.goto("/jobs/1008/bay/steps/")

    tab_to(page, "Before")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bay/before/")
    tab_to(page, "Seat belt chime")
    page.keyboard.press("ArrowRight")
    chosen = focused(page)
    tab_to(page, "Value, Battery at rest")
    page.keyboard.press("Control+A")
    page.keyboard.type("12.71")
    page.keyboard.press("ArrowDown")
    assert focused(page).startswith("Value, ")
    expect(page.locator("#save-strip")).to_contain_text("All saved")

    tab_to(page, "Channels", "Shift+Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bay/channels/")
    tab_to(page, "Wires")
    page.keyboard.press("Enter")
    page.wait_for_url("**show=wires")
    tab_to(page, "Plug, A1.1")
    page.keyboard.press("Control+A")
    page.keyboard.type("By keyboard")
    page.keyboard.press("Tab")
    expect(page.locator("#save-strip")).to_contain_text("All saved")

    tab_to(page, "Notes", "Shift+Tab")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bay/notes/")
    tab_to(page, "New note")
    page.keyboard.type("Written without a pointer.")
    tab_to(page, "Add note")
    page.keyboard.press("Enter")
    expect(page.locator(".notes")).to_contain_text("Written without a pointer.")
    expect(page.locator("#save-strip")).to_contain_text("All saved")

    page.goto("/jobs/1008/bay/before/")
    kept = page.get_by_role("group", name="Seat belt chime").get_by_role("radio", checked=True)
    assert chosen.endswith(kept.locator("xpath=..").inner_text())
    expect(page.get_by_label("Value, Battery at rest")).to_have_value("12.71")
    page.goto("/jobs/1008/bay/channels/?show=wires")
    expect(page.get_by_label("Plug, A1.1", exact=True)).to_have_value("By keyboard")


def test_wires_are_pasted_and_filled_down_also_without_a_network(
    served: str, enter: SignIn
) -> None:
    page = enter(served, "piers", viewport={"width": 1180, "height": 820})
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.goto("/jobs/1008/bay/channels/?show=wires")
    heights = page.evaluate(
        "[...document.querySelectorAll('table.wires tbody tr')].map(r => r.offsetHeight)"
    )
    assert heights and max(heights) <= 72, heights

    page.get_by_label("+ pin, M1.L1").click()
    page.evaluate("navigator.clipboard.writeText('1\\tGN/WH\\t2\\n3\\tVT\\t4\\n')")
    page.keyboard.press("Control+V")
    expect(page.get_by_label("− pin, M1.L2")).to_have_value("4")
    expect(page.get_by_label("+ stripe colour, M1.L1")).to_have_value("WH white")
    said = page.locator("#said")
    expect(said).to_contain_text("Wires written: M1.L1, M1.L2.")
    said.get_by_role("button", name="Undo").click()
    expect(page.get_by_label("− pin, M1.L2")).to_have_value("")

    page.get_by_role("combobox", name="+ base colour, M1.L1").select_option("TQ turquoise")
    other = page.get_by_role("combobox", name="− base colour, M1.L1")
    other.focus()
    expect(page.locator("#save-strip")).to_contain_text("All saved")
    expect(other.locator("option").nth(1)).to_have_text("TQ turquoise")
    expect(other).to_have_value("")

    page.get_by_role("combobox", name="+ base colour, M1.L1").focus()
    page.context.set_offline(True)
    page.get_by_role("button", name="Fill down: + base colour of M1.L1").click()
    expect(page.get_by_label("+ base colour, M1.L4")).to_have_value("TQ turquoise")
    page.context.set_offline(False)
    expect(page.locator("#save-strip")).to_contain_text("All saved", timeout=30_000)
    page.reload()
    expect(page.get_by_label("+ base colour, M1.L2")).to_have_value("TQ turquoise")
