"""The car seen from above, each speaker with the channels that feed it: one SVG for every page.

`car_with_channels(plan, body_shape, findings)` gives the SVG as safe text for a template
(`{{ picture }}`). It holds no style of its own: colours come from the page (`.car` rules, the
current text colour), or in the PDF from the sheet's style for pictures. What a speaker's state is
shows by shape and by word as well: a disc is fed, an empty square has no channel, an octagon is
part of a stop, a triangle of a caution.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from django.template.loader import render_to_string
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext

from jobs import wording
from shop.kept_words import told
from wiring.colours import SWATCHES
from wiring.findings import SEVERITY_ORDER, Finding
from wiring.plan import Channel, Plan, Speaker
from wiring.positions import POSITIONS

CAR_WIDTH: Final = 200.0
CAR_HEIGHT: Final = 400.0
CROP: Final = 14.0
"""Empty paper above and below the car, left out of the picture."""

COLUMN_WIDTH: Final = 195.0
GUTTER: Final = 22.0
LABEL_HEIGHT: Final = 34.0
SPREAD: Final = 17.0
"""Distance between speakers that share one position."""

STATE_WORDS: Final = {"fed": "", "open": "no channel", "stop": "stop", "caution": "caution"}


class Spot(NamedTuple):
    """One speaker on the drawing: where its dot is and what its label says."""

    speaker: Speaker
    x: float
    y: float
    side: str
    channels: str
    place: str
    state: str


def channels_text(channels: Iterable[Channel]) -> str:
    """The channels that feed one speaker: "A1.3", "A1.3+4 bridged", "A1.1, A2.1"."""
    return ", ".join(
        gettext("%(channel)s bridged")
        % {"channel": wording.bridged(channel.id, channel.bridged_with)}
        if channel.bridged_with
        else channel.id
        for channel in channels
    )


def _worst(ids: set[str], findings: Sequence[Finding]) -> str | None:
    grave = [
        finding.severity
        for finding in findings
        if finding.severity != "note" and not ids.isdisjoint(finding.where)
    ]
    return min(grave, key=lambda severity: SEVERITY_ORDER[severity], default=None)


def _spots(plan: Plan, findings: Sequence[Finding]) -> list[Spot]:
    by_position: dict[str, list[Speaker]] = {}
    for speaker in plan.speakers:
        if speaker.position in POSITIONS:
            by_position.setdefault(speaker.position, []).append(speaker)
    spots = []
    count = {"left": 0, "right": 0}
    ordered = sorted(by_position.items(), key=lambda item: POSITIONS[item[0]].y)
    for position_id, speakers in ordered:
        position = POSITIONS[position_id]
        for index, speaker in enumerate(speakers):
            channels = [one for one in plan.channels if speaker.id in one.speakers]
            grave = _worst({speaker.id, *(one.id for one in channels)}, findings)
            side = position.side
            if side == "centre":
                side = "left" if count["left"] <= count["right"] else "right"
            count[side] += 1
            spots.append(
                Spot(
                    speaker,
                    position.x * CAR_WIDTH,
                    position.y * CAR_HEIGHT + (index - (len(speakers) - 1) / 2) * SPREAD,
                    side,
                    channels_text(channels),
                    f"{speaker.id} {told(wording.speakers([speaker]))}",
                    grave or ("fed" if channels else "open"),
                )
            )
    return spots


def spaced(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Heights as near as can be to the wanted ones (rising), each `gap` from the next.

    Least squares: neighbours that press on each other share the mean of what they want.
    """
    blocks: list[tuple[float, int]] = []
    for index, want in enumerate(wanted):
        mean, size = want - index * gap, 1
        while blocks and blocks[-1][0] > mean:
            before, many = blocks.pop()
            mean, size = (before * many + mean * size) / (many + size), many + size
        blocks.append((mean, size))
    flat = [mean for mean, size in blocks for _ in range(size)]
    ceiling = high - gap * (len(wanted) - 1)
    return [max(low, min(mean, ceiling)) + index * gap for index, mean in enumerate(flat)]


def _mark(spot: Spot) -> SafeString:
    x, y = spot.x, spot.y
    radius = 8.0 if spot.speaker.kind in {"subwoofer", "woofer", "midbass"} else 6.5
    if spot.state == "open":
        return format_html(
            '<rect class="mark-open" x="{}" y="{}" width="{}" height="{}" fill="#fff" '
            'stroke="currentColor" stroke-width="2" stroke-dasharray="3 2"/>',
            *(f"{number:.1f}" for number in (x - radius, y - radius, 2 * radius, 2 * radius)),
        )
    if spot.state in {"stop", "caution"}:
        corners = (
            ((-10, 9), (0, -10), (10, 9))
            if spot.state == "caution"
            else ((-9, -4), (-4, -9), (4, -9), (9, -4), (9, 4), (4, 9), (-4, 9), (-9, 4))
        )
        points = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)
        return format_html(
            '<polygon class="mark-{}" points="{}" fill="#fff" stroke="currentColor" '
            'stroke-width="2.5"/><text class="mark-{}" x="{}" y="{}" text-anchor="middle" '
            'font-size="12" font-weight="700" fill="currentColor">!</text>',
            spot.state,
            points,
            spot.state,
            f"{x:.1f}",
            f"{y + (6 if spot.state == 'caution' else 4.5):.1f}",
        )
    return format_html(
        '<circle class="mark-fed" cx="{}" cy="{}" r="{}" fill="currentColor" stroke="#fff" '
        'stroke-width="1.5"/>',
        f"{x:.1f}",
        f"{y:.1f}",
        radius,
    )


def _label(spot: Spot, y: float, edge: float, anchor: str) -> SafeString:
    outward = -6 if anchor == "end" else 6
    word = STATE_WORDS[spot.state]
    parts = [spot.channels] if spot.channels else []
    if word and (spot.state != "open" or not spot.channels):
        parts.append(word)
    return format_html(
        '<text class="place" x="{}" text-anchor="{}" fill="currentColor">'
        '<tspan x="{}" y="{}" font-size="13" font-weight="700">{}</tspan>'
        '<tspan x="{}" y="{}" font-size="10.5">{}</tspan></text>',
        f"{edge + outward:.1f}",
        anchor,
        f"{edge + outward:.1f}",
        f"{y - 2:.1f}",
        " · ".join(parts),
        f"{edge + outward:.1f}",
        f"{y + 11:.1f}",
        spot.place,
    )


def _side(spots: list[Spot], side: str, height: float) -> tuple[list[SafeString], list[SafeString]]:
    """Leader lines and labels of one side, no label on another."""
    mine = sorted((spot for spot in spots if spot.side == side), key=lambda spot: spot.y)
    low = LABEL_HEIGHT / 2
    heights = spaced([spot.y for spot in mine], LABEL_HEIGHT, low, height - low)
    edge = -GUTTER if side == "left" else CAR_WIDTH + GUTTER
    elbow = edge / 3 if side == "left" else CAR_WIDTH + GUTTER / 3
    anchor = "end" if side == "left" else "start"
    leaders = [
        format_html(
            '<polyline class="leader" points="{}" fill="none" stroke="currentColor" '
            'stroke-width="0.9"/>',
            f"{edge:.1f},{y:.1f} {elbow:.1f},{y:.1f} {spot.x:.1f},{spot.y:.1f}",
        )
        for spot, y in zip(mine, heights, strict=True)
    ]
    labels = [_label(spot, y, edge, anchor) for spot, y in zip(mine, heights, strict=True)]
    return leaders, labels


def _words(spots: list[Spot]) -> str:
    return "; ".join(
        f"{spot.place}: {spot.channels or gettext('no channel')}"
        + (f" ({told(spot.state)})" if spot.state in {"stop", "caution"} else "")
        for spot in spots
    )


def car_with_channels(plan: Plan, body_shape: str, findings: Sequence[Finding] = ()) -> SafeString:
    """The top view of the car with each speaker of the plan and its channels, as an SVG.

    `body_shape` is a value of BodyShape; `findings` marks the speakers and channels they name.
    The drawing grows in height when one side has more labels than the car is long.
    """
    spots = _spots(plan, findings)
    most = max((sum(spot.side == side for spot in spots) for side in ("left", "right")), default=0)
    height = max(CAR_HEIGHT - 2 * CROP, most * LABEL_HEIGHT)
    down = (height - CAR_HEIGHT) / 2
    spots = [spot._replace(y=spot.y + down) for spot in spots]
    left, right = (_side(spots, side, height) for side in ("left", "right"))
    margin = COLUMN_WIDTH + GUTTER
    return format_html(
        '<svg class="car labelled" xmlns="http://www.w3.org/2000/svg" '
        'viewBox="{} 0 {} {}" role="img" aria-label="{}">'
        '<g class="outline" opacity="0.6" transform="translate(0 {})">{}</g>{}{}{}</svg>',
        f"{-margin:g}",
        f"{CAR_WIDTH + 2 * margin:g}",
        f"{height:g}",
        f"{gettext('Top view of the car.')} "
        f"{_words(spots) or gettext('No speaker is placed yet.')}",
        f"{down:g}",
        render_to_string(f"cars/{body_shape}.html"),
        format_html_join("", "{}", ((leader,) for leader in left[0] + right[0])),
        format_html_join("", "{}", ((_mark(spot),) for spot in spots)),
        format_html_join("", "{}", ((label,) for label in left[1] + right[1])),
    )


def condition(marks: Sequence[Mapping[str, Any]], *, lying: bool = False) -> SafeString:
    """The car's outline with numbered marks; x and y of a mark are fractions of the drawing.

    `lying` turns the car's front to the left and makes the numbers larger, for a low drawing.
    """
    places = [(one["x"] * CAR_WIDTH, one["y"] * CAR_HEIGHT) for one in marks]
    if lying:
        places = [(y, CAR_WIDTH - x) for x, y in places]
    size = (18, 10, 28) if lying else (12, 6, 17)
    numbered = [(f"{x:.1f}", f"{y:.1f}", index, *size) for index, (x, y) in enumerate(places, 1)]
    words = "; ".join(f"{index} {told(one['kind'])}" for index, one in enumerate(marks, 1))
    return format_html(
        '<svg class="car condition" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {}" '
        'role="img" aria-label="{}"><g class="outline" opacity="0.6"{}>{}</g>{}</svg>',
        "400 200" if lying else "200 400",
        gettext("Marks on arrival: %(marks)s") % {"marks": words or gettext("none")},
        mark_safe(' transform="translate(0 200) rotate(-90)"' if lying else ""),
        render_to_string("cars/outline.html"),
        format_html_join(
            "",
            '<circle class="mark-number" cx="{0}" cy="{1}" r="{3}" fill="#fff" '
            'stroke="currentColor" stroke-width="2"/><text x="{0}" y="{1}" dy="{4}" '
            'text-anchor="middle" font-size="{5}" font-weight="700" fill="currentColor">{2}</text>',
            numbered,
        ),
    )


def wire_swatch(base: str, stripe: str = "", said: str = "") -> SafeString:
    """A little piece of wire in its colours, beside the codes; empty for an unknown colour.

    `said` is what it shows, for whoever has a paper read out.
    """
    if base not in SWATCHES:
        return mark_safe("")
    second = "YE" if base == "GNYE" else stripe
    return format_html(
        '<svg class="swatch" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 24 10" width="24" '
        'height="10" aria-hidden="true"><title>{}</title>'
        '<rect x="0.5" y="0.5" width="23" height="9" rx="2" fill="{}" stroke="#555"/>{}</svg>',
        said,
        SWATCHES[base],
        format_html('<rect x="1" y="3.5" width="22" height="3" fill="{}"/>', SWATCHES[second])
        if second in SWATCHES
        else "",
    )
