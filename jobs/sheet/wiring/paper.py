"""The wiring sheet: the frozen record as drawings for the bay, one a page, each told in words."""

import re
from collections.abc import Mapping
from typing import Any, Final

from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext, gettext_noop as kept

from jobs.plan.car_drawing import car_with_channels, channels_text
from jobs.sheet.earlier import newest, paper_of
from jobs.sheet.power_values import place_of
from jobs.sheet.wiring import details, leads, plugs
from jobs.sheet.wiring.canvas import Canvas
from jobs.sheet.wiring.nodes import Installation, installation
from jobs.sheet.wiring.overview import overview
from jobs.wording import NOTHING, Local, listed
from shop.kept_words import told
from wiring.plan import from_builtins

Document = Mapping[str, Any]
WHOLE: Final = kept("The whole installation")
TALLEST_CAR: Final = 550.0
"""A taller picture of the car has letters under 9 pt on the page."""

LONGEST_LABEL: Final = 34
"""Letters of the channels beside a speaker that have room on the page."""

WIDER: Final = 70.0
"""Room on both sides of the picture of the car for the longest names of places."""

POINTS_PER_MM: Final = 72 / 25.4
ROOM_MM: Final = {"a4": (277.0, 172.0), "letter": (259.0, 179.0)}
"""What is left of a landscape page beside margins, head and foot, by the shop's paper."""


def drawings(document: Document, car: str | None = None) -> list[tuple[str, Canvas, str]]:
    """Title, drawing and telling of each page; the picture of the car comes after the first
    ones. `car` is that picture where it is drawn already."""
    document = newest(document)
    width, height = (one * POINTS_PER_MM for one in ROOM_MM[paper_of(document)])
    whole = installation(document)
    has_car = bool(_car(document) if car is None else car)
    split = details.pages(whole, width, height)
    count, before = 0, -1
    first: list[Canvas] = []
    while before != count:  # How many pages it takes says on which page the devices begin.
        before = count
        first = overview(
            whole, width, height, details.first_page_of(split, max(1, count) + has_car)
        )
        count = len(first)
    made = [
        (gettext(WHOLE), canvas, _told(whole) if at == 0 else gettext("Continued."))
        for at, canvas in enumerate(first)
    ]
    for page in split:
        ids = list(dict.fromkeys(chunk.node.id for chunk in page))
        made.append(
            (
                gettext("Channels of %(devices)s") % {"devices": listed(ids)},
                details.drawn(page, width, height),
                _channels(page),
            )
        )
    return [*made, *_ends(document, width, height)]


def _ends(document: Document, width: float, height: float) -> list[tuple[str, Canvas, str]]:
    """The plugs, and the adapter leads below them where there is room, else on pages of theirs."""
    faces = plugs.pages(document, width, height)
    said = _plugs(document)
    own: list[Canvas] = []
    if faces and leads.drawn_below(faces[-1], document):
        said += f". {gettext(leads.TITLE)}: {leads.told(document)}"
    else:
        own = leads.pages(document, width, height)
    return [
        (title, canvas, f"{words}." if at == 0 else gettext("Continued."))
        for title, canvases, words in (
            (gettext("Plugs"), faces, said),
            (gettext(leads.TITLE), own, leads.told(document)),
        )
        for at, canvas in enumerate(canvases)
    ]


def wiring_values(document: Document) -> dict[str, Any]:
    """What the template of the wiring sheet shows."""
    document = newest(document)
    car = _car(document)
    pages = [
        {"title": title, "drawing": _safe(canvas.svg(told))}
        for title, canvas, told in drawings(document, car)
    ]
    if car:
        after = sum(one["title"] == gettext(WHOLE) for one in pages)
        pages.insert(after, {"title": gettext("Speakers and their channels"), "drawing": car})
    local = Local(document["shop"]["units"], document["shop"]["time_zone"])
    sheet = document["sheet"]
    manager = document["signatures"]["manager"]
    return {
        "document": document,
        "sheet": sheet,
        "pages": pages,
        "signed_on": local.day(sheet.get("signed_at")),
        "signed_by": manager["name"] if manager else NOTHING,
    }


def _car(document: Document) -> str:
    """The car with its speakers; empty without any, and where its labels would be too small
    or too long."""
    plan = from_builtins(document["plan"])
    fed = [
        channels_text(one for one in plan.channels if speaker.id in one.speakers)
        for speaker in plan.speakers
    ]
    if not fed or max(map(len, fed)) > LONGEST_LABEL:
        return ""
    drawn = car_with_channels(plan, document["vehicle"]["body_shape"])
    size = re.search(r'viewBox="(\S+) 0 (\S+) (\S+)"', drawn)
    if size is None or float(size[3]) > TALLEST_CAR:
        return ""
    left, width = float(size[1]) - WIDER, float(size[2]) + 2 * WIDER
    return _safe(drawn.replace(size[0], f'viewBox="{left:g} 0 {width:g} {size[3]}"', 1))


def _safe(svg: str) -> SafeString:
    return mark_safe(svg)


def _told(whole: Installation) -> str:
    """The overview in words."""
    parts = [
        f"{place_of(joint.node)}: "
        + (_from(joint.kind, joint.rail.node) if joint.rail else "")
        + ", ".join(one for one in (joint.above, joint.below) if one)
        for joint in whole.joints
    ]
    parts += [
        gettext("%(channel)s feeds %(fed)s")
        % {"channel": output.channel, "fed": listed(" ".join(one[:2]) for one in output.feeds)}
        for node in whole.nodes.values()
        for output in node.outputs
    ]
    return f"{'; '.join(parts) or gettext('Nothing is wired yet')}."


def _from(kind: str, node: str) -> str:
    said = gettext("%(kind)s from %(place)s") % {"kind": told(kind), "place": place_of(node)}
    return f"{said}, "


def _channels(page: list[details.Chunk]) -> str:
    said = []
    for chunk in page:
        for row in chunk.rows:
            one = row.output
            fed = listed(" ".join(each) for each in one.feeds)
            wires = [
                gettext("%(sign)s %(code)s %(colour)s in cavity %(cavity)s")
                % {**lead, "sign": sign}
                for sign, lead in ((gettext("plus"), one.plus), (gettext("minus"), one.minus))
                if lead["cavity"] or lead["code"]
            ]
            said.append(
                ", ".join(
                    filter(
                        None,
                        [
                            gettext("%(here)s to %(there)s") % {"here": one.channel, "there": fed},
                            one.joining,
                            one.load,
                            gettext("plug %(plug)s") % {"plug": one.plug} if one.plug else "",
                            *wires,
                            one.cable,
                            one.polarity,
                        ],
                    )
                )
            )
    return f"{'; '.join(said)}."


def _plugs(document: Document) -> str:
    return "; ".join(
        f"{plug.name}: "
        + ", ".join(
            f"{name} {one.get('base', '')} {one.get('stripe', '')} "
            f"{one.get('channel') or one['function']}".strip()
            for name, one in plug.cavities.items()
        )
        for plug in plugs.plugs_of(document)
    )
