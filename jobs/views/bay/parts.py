"""Parts of the sheet that follow from a save: sent along only where they changed.

A page carries what its parts showed last in the hidden input `seen`; it comes with every save.
Each part is a list of short tokens, one an element. An answer holds the elements whose token is
another now, and the fresh `seen`.
"""

import zlib
from collections.abc import Callable
from typing import Final, NamedTuple

from django.template.loader import render_to_string
from django.utils.html import format_html
from django.utils.safestring import SafeString

from jobs.models import PowerRun
from jobs.plan.power import Finding
from jobs.services.channels import parts_left
from jobs.views.bay import picture, power_rows
from jobs.views.bay.bay_sheet import SECTIONS, BaySheet, TabCount
from jobs.views.bay.places import anchor

MOST_IN_PANEL: Final = 4

_LETTERS: Final = {"": "-", "stop": "s", "caution": "c", "note": "n"}


def digest(*values: object) -> str:
    """A short token for what is shown; changes when any of it changes."""
    return f"{zlib.crc32(repr(values).encode()):08x}"


def _count_token(count: TabCount) -> str:
    return f"{_LETTERS[count.severity]}{count.total}"


class Part(NamedTuple):
    """A part of the page: the token of each element, and the element drawn out of band."""

    tokens: Callable[[BaySheet], list[str]]
    draw: Callable[[BaySheet, int], str]


def panel_context(sheet: BaySheet) -> dict[str, object]:
    """What the findings panel of a section shows: the worst few and how many more.

    Findings that one and the same thing puts right are one line, with how many of them there are.
    """
    findings = sheet.findings_in(sheet.section)
    alike: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        alike.setdefault((finding.severity, finding.what_to_do), []).append(finding)
    groups = list(alike.values())[:MOST_IN_PANEL]
    return {
        "sheet": sheet,
        "shown": [(one[0], sheet.link_to(one[0]), len(one) - 1) for one in groups],
        "more": len(findings) - sum(map(len, groups)),
        "total": len(findings),
        "severity": findings[0].severity if findings else "",
        "all_url": sheet.url("bay_findings"),
    }


def _panel_tokens(sheet: BaySheet) -> list[str]:
    findings = sheet.findings_in(sheet.section)
    return [digest(*((one.fingerprint, one.title) for one in findings))]


def _draw_panel(sheet: BaySheet, index: int) -> str:
    return render_to_string("bay/panel.html", {**panel_context(sheet), "oob": True})


def _tab_tokens(sheet: BaySheet) -> list[str]:
    return [_count_token(sheet.tab_count(section.id)) for section in SECTIONS]


def tab_count_html(sheet: BaySheet, section: str, oob: bool = False) -> str:
    """The mark on a tab: how many findings are open there, and how grave the worst is."""
    count = sheet.tab_count(section)
    return format_html(
        '<span id="tab-{}"{}>{}</span>',
        section,
        SafeString(' hx-swap-oob="true"') if oob else "",
        format_html(
            '<span class="count {}" aria-label="{}">{}</span>',
            count.severity,
            count.words,
            count.total,
        )
        if count.total
        else "",
    )


def _draw_tab(sheet: BaySheet, index: int) -> str:
    return tab_count_html(sheet, SECTIONS[index].id, oob=True)


def mark_html(sheet: BaySheet, place: str, oob: bool = False) -> str:
    """The mark in a row: what is open there, as a link to the findings."""
    count = sheet.mark(place)
    swap = SafeString(' hx-swap-oob="true"') if oob else ""
    if not count.total:
        return format_html('<span class="row-mark" id="mark-{}"{}></span>', anchor(place), swap)
    address = f"{sheet.url('bay_findings')}?at={place}"
    return format_html(
        '<a class="row-mark {}" id="mark-{}"{} href="{}" hx-get="{}" hx-target="#place" '
        'aria-label="{}">'
        '<svg class="icon" aria-hidden="true"><use href="{}#{}"></use></svg>{}</a>',
        count.severity,
        anchor(place),
        swap,
        address,
        address,
        f"{place}: {count.words}",
        picture.sprite(),
        count.severity,
        count.total if count.total > 1 else "",
    )


def _mark_tokens(sheet: BaySheet) -> list[str]:
    return [_count_token(sheet.mark(channel.id)) for channel in sheet.plan.channels]


def _draw_mark(sheet: BaySheet, index: int) -> str:
    return mark_html(sheet, sheet.plan.channels[index].id, oob=True)


def _spot_tokens(sheet: BaySheet) -> list[str]:
    return [digest(spot) for spot in picture.spots(sheet)]


def _draw_spot(sheet: BaySheet, index: int) -> str:
    return picture.spot_html(sheet, picture.spots(sheet)[index], oob=True)


def _runs(sheet: BaySheet) -> list[PowerRun]:
    kept = sheet.__dict__.get("_runs")
    if kept is None:
        kept = sheet.__dict__["_runs"] = list(sheet.job.runs.only("pk", "label", "job"))
    return kept


def _run_tokens(sheet: BaySheet) -> list[str]:
    states = sheet.solution.runs if sheet.solution else {}
    tokens = []
    for run in sheet.plan.runs:
        state = states.get(run.id)
        shown = (round(state.current_a, 1), round(state.drop_v, 3)) if state else None
        tokens.append(digest(shown, state and round(state.allowed_a), sheet.mark(run.id)))
    return tokens


def _draw_run(sheet: BaySheet, index: int) -> str:
    label = sheet.plan.runs[index].id
    pk = next(run.pk for run in _runs(sheet) if run.label == label)
    return power_rows.run_figures_html(sheet, label, pk, oob=True)


def _diagram_tokens(sheet: BaySheet) -> list[str]:
    return [digest(power_rows.diagram_svg(sheet))]


def _draw_diagram(sheet: BaySheet, index: int) -> str:
    return power_rows.diagram_again_html(sheet)


def _supply_tokens(sheet: BaySheet) -> list[str]:
    return [digest(power_rows.supply_report_html(sheet))]


def _draw_supply(sheet: BaySheet, index: int) -> str:
    return power_rows.supply_report_html(sheet, oob=True)


def _draws_tokens(sheet: BaySheet) -> list[str]:
    return [digest(power_rows.draws_html(sheet))]


def _draw_draws(sheet: BaySheet, index: int) -> str:
    return power_rows.draws_html(sheet, oob=True)


def still_to_place_html(sheet: BaySheet, oob: bool = False) -> str:
    """The speakers of the job that have no place yet, and the way to place several at once."""
    left = [one for one in parts_left(sheet.job) if one.left]
    return render_to_string("bay/still_to_place.html", {"sheet": sheet, "left": left, "oob": oob})


def _left_tokens(sheet: BaySheet) -> list[str]:
    return [digest(*((one.part.pk, one.left) for one in parts_left(sheet.job)))]


def _draw_left(sheet: BaySheet, index: int) -> str:
    return still_to_place_html(sheet, oob=True)


PARTS: Final[dict[str, Part]] = {
    "panel": Part(_panel_tokens, _draw_panel),
    "tabs": Part(_tab_tokens, _draw_tab),
    "marks": Part(_mark_tokens, _draw_mark),
    "spots": Part(_spot_tokens, _draw_spot),
    "left": Part(_left_tokens, _draw_left),
    "runs": Part(_run_tokens, _draw_run),
    "diagram": Part(_diagram_tokens, _draw_diagram),
    "supply": Part(_supply_tokens, _draw_supply),
    "draws": Part(_draws_tokens, _draw_draws),
}


def seen_text(sheet: BaySheet, names: tuple[str, ...]) -> str:
    """What the page shows now, for its hidden input."""
    return "|".join(f"{name}={','.join(PARTS[name].tokens(sheet))}" for name in names)


def seen_html(sheet: BaySheet, names: tuple[str, ...], oob: bool = False) -> str:
    return format_html(
        '<input type="hidden" name="seen" id="seen" data-with-cells{} value="{}">',
        SafeString(' hx-swap-oob="true"') if oob else "",
        seen_text(sheet, names),
    )


def changed(sheet: BaySheet, seen: str) -> str:
    """The elements that no longer are as `seen` says, drawn out of band."""
    drawn: list[str] = []
    names: list[str] = []
    for part in filter(None, seen.split("|")):
        name, _, told = part.partition("=")
        if name not in PARTS:
            continue
        names.append(name)
        before, now = told.split(","), PARTS[name].tokens(sheet)
        if len(before) != len(now):
            continue
        drawn += [
            PARTS[name].draw(sheet, index)
            for index, (old, new) in enumerate(zip(before, now, strict=True))
            if old != new
        ]
    if drawn:
        drawn.append(seen_html(sheet, tuple(names), oob=True))
    return "".join(drawn)
