"""The car picture of the channel plan: a place to tap for every position a speaker can have."""

from typing import Final, NamedTuple

from django.templatetags.static import static
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext, ngettext

from jobs.plan.power import POSITIONS, SEVERITY_ORDER
from jobs.views.bay.bay_sheet import BaySheet
from jobs.views.bay.places import spot_id
from shop.kept_words import told

WIDTH: Final = 200.0
HEIGHT: Final = 400.0
TOP: Final = 88.0
BOTTOM: Final = 388.0
"""The bonnet has no speakers: the picture begins at the windscreen."""

REACH: Final = 12.6
"""Half of what a finger needs: 25.2 units are 48 px at the size the picture is shown."""

_APART: Final = {
    "front_pillar": (0.255, 0.315),
    "front_dash": (0.385, 0.29),
    "front_dash_centre": (0.5, 0.26),
    "front_door_upper": (0.125, 0.385),
    "front_door": (0.125, 0.465),
    "front_seat": (0.36, 0.475),
    "rear_door_upper": (0.125, 0.565),
    "rear_door": (0.125, 0.635),
    "rear_side": (0.19, 0.71),
    "roof": (0.38, 0.67),
    "rear_shelf": (0.345, 0.76),
    "rear_shelf_centre": (0.5, 0.74),
    "boot_side": (0.27, 0.85),
    "boot": (0.5, 0.84),
    "spare_wheel": (0.5, 0.91),
}
"""Where the spots are drawn: near their true place, far enough from each other for a glove."""


class Spot(NamedTuple):
    """One position on the picture: what sits there, what feeds it, how it stands."""

    position: str
    label: str
    x: float
    y: float
    speakers: int
    channels: str
    state: str

    @property
    def words(self) -> str:
        if not self.speakers:
            return gettext("%(place)s: empty") % {"place": told(self.label)}
        what = ngettext("%(count)s speaker", "%(count)s speakers", self.speakers)
        fed = gettext("no channel yet")
        if self.channels:
            fed = gettext("fed by %(channels)s") % {"channels": self.channels}
        grave = f", {told(self.state)}" if self.state in SEVERITY_ORDER else ""
        return f"{told(self.label)}: {what % {'count': self.speakers}}, {fed}{grave}"


def sprite() -> str:
    return static("img/icons.svg")


def _drawn_at(position: str) -> tuple[float, float]:
    stem, _, side = position.rpartition("_")
    if side in {"left", "right"} and stem in _APART:
        x, y = _APART[stem]
        return (x if side == "left" else 1 - x) * WIDTH, y * HEIGHT
    if position in _APART:
        x, y = _APART[position]
        return x * WIDTH, y * HEIGHT
    place = POSITIONS[position]
    return place.x * WIDTH, place.y * HEIGHT


_PLACES: Final = {position: _drawn_at(position) for position in POSITIONS}


def spots(sheet: BaySheet) -> list[Spot]:
    """Every position in the order of the picture, worked out once a request."""
    kept = sheet.__dict__.get("_spots")
    if kept is None:
        kept = sheet.__dict__["_spots"] = _spots(sheet)
    return kept


def _spots(sheet: BaySheet) -> list[Spot]:
    at: dict[str, list[str]] = {}
    for speaker in sheet.plan.speakers:
        at.setdefault(speaker.position, []).append(speaker.id)
    spots = []
    for position, place in POSITIONS.items():
        ids = set(at.get(position, ()))
        feeding = [one for one in sheet.plan.channels if not ids.isdisjoint(one.speakers)]
        counts = [sheet.mark(one) for one in (*ids, *(channel.id for channel in feeding))]
        grave = min(
            (count.severity for count in counts if count.total),
            key=SEVERITY_ORDER.__getitem__,
            default="",
        )
        unfed = any(
            speaker.id in ids and not any(speaker.id in one.speakers for one in feeding)
            for speaker in sheet.plan.speakers
        )
        state = grave or ("empty" if not ids else "open" if unfed else "fed")
        names = ", ".join(channel.id for channel in feeding)
        spots.append(Spot(position, place.label, *_PLACES[position], len(ids), names, state))
    return spots


_SHAPES: Final = {
    "stop": "-10.5,-4.4 -4.4,-10.5 4.4,-10.5 10.5,-4.4 10.5,4.4 4.4,10.5 -4.4,10.5 -10.5,4.4",
    "caution": "-14,9.5 0,-14 14,9.5",
}


def _shape(spot: Spot) -> SafeString:
    if spot.state in _SHAPES:
        return format_html('<polygon points="{}"/>', _SHAPES[spot.state])
    if spot.state == "open":
        return SafeString('<rect x="-9.5" y="-9.5" width="19" height="19" rx="2"/>')
    if spot.state == "empty":
        return SafeString('<circle r="6"/><path d="M-3 0H3M0 -3V3"/>')
    return SafeString('<circle r="10.5"/>')


def _text(spot: Spot) -> SafeString:
    if not spot.speakers:
        return SafeString("")
    names = spot.channels.split(", ") if spot.channels else ["?"]
    lines = names[:2] if len(names) < 3 else [names[0], f"+{len(names) - 1}"]
    low = 2.6 if len(lines) == 1 else -0.6
    if spot.state == "caution":
        low += 3.4
    return format_html_join(
        "",
        '<text y="{}">{}</text>',
        ((f"{low + 6.4 * index:.1f}", line) for index, line in enumerate(lines)),
    )


def spot_html(sheet: BaySheet, spot: Spot, oob: bool = False) -> SafeString:
    """One spot: a link that opens the position, and puts the chosen channel on it when it can."""
    address = sheet.url("bay_place", spot.position)
    post = format_html(' hx-post="{}"', address) if sheet.can_edit else ""
    return format_html(
        '<svg class="spot {}" id="{}" x="{}" y="{}" overflow="visible"{}>'
        '<a href="{}"{} aria-label="{}"><circle class="hit" r="{}"/>{}{}</a></svg>',
        spot.state,
        spot_id(spot.position),
        f"{spot.x:.1f}",
        f"{spot.y:.1f}",
        SafeString(' hx-swap-oob="true"') if oob else "",
        address,
        post,
        spot.words,
        REACH,
        _shape(spot),
        _text(spot),
    )


def spots_html(sheet: BaySheet) -> SafeString:
    return format_html_join("", "{}", ((spot_html(sheet, spot),) for spot in spots(sheet)))


def body_shape(sheet: BaySheet) -> str:
    return f"cars/{sheet.job.vehicle.vehicle_model.body_shape}.html"


def view_box() -> str:
    return f"0 {TOP:g} {WIDTH:g} {BOTTOM - TOP:g}"
