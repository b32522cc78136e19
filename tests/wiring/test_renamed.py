"""A plot whose names are said in another language: all are there, apart, inside, on no line."""

import re
from html import unescape

import numpy as np
import pytest

from wiring.drawings.plots import PAPER, SCREEN, Line, Look, draw, filled, name_width
from wiring.drawings.renamed import renamed

HZ = np.geomspace(20.0, 20_000.0, 200)
NAME = re.compile(
    r'<text(?: class="plot-name[^>]*?"[^>]*?)? x="([-\d.]+)" y="([-\d.]+)"'
    r'(?: font-weight="600")?>([^<]*)</text>'
)
BOX = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')


def plot(labels: tuple[str, ...], look: Look, apart_db: float) -> str:
    lines = [
        Line(label, HZ, -6.0 + apart_db * at - 3 * np.sin(np.log(HZ) + at), None, at)
        for at, label in enumerate(labels)
    ]
    return draw(lines, "Level of each channel", "dB", look=look)


def longer(label: str) -> str:
    return f"{label} in einer anderen Sprache" if label.startswith("Line") else label


@pytest.mark.parametrize("look", [SCREEN, PAPER])
@pytest.mark.parametrize("apart_db", [0.0, 9.0])
@pytest.mark.parametrize("count", [1, 3, 7])
def test_longer_names_find_room(look: Look, apart_db: float, count: int) -> None:
    """Two equal lines included: with `apart_db` 0 all but the waves are one upon the other."""
    labels = tuple(f"Line {at}" for at in range(count))
    english = plot(labels, look, apart_db)
    svg = renamed(english, longer)
    width, height = (float(one) for one in BOX.search(svg).groups())
    named = [
        (float(x), float(y), unescape(label))
        for x, y, label in NAME.findall(svg)
        if label.startswith("Line")
    ]
    assert sorted(label for _, _, label in named) == sorted(
        longer(label) for _, _, label in NAME.findall(english) if label.startswith("Line")
    )
    boxes = [
        (x, y - look.letters + 2, x + name_width(label, look.letters), y) for x, y, label in named
    ]
    assert all(box[0] >= 0 and box[2] <= width and box[1] > 0 and box[3] <= height for box in boxes)
    if look is SCREEN and 'data-legend="1"' in svg:
        assert count > 1 or apart_db, "one name alone finds a place"
        return
    for at, one in enumerate(boxes):
        for two in boxes[at + 1 :]:
            assert one[2] <= two[0] or two[2] <= one[0] or one[3] <= two[1] or two[3] <= one[1]
    paths = re.findall(r'class="plot-after[^"]*" d="([^"]*)"', svg)
    points = np.concatenate(
        [
            filled(np.array(re.findall(r"-?[\d.]+", piece), dtype=float).reshape(-1, 2))
            for path in paths
            for piece in path.split("M")[1:]
        ]
    )
    for left, top, right, bottom in boxes:
        inside = (points[:, 0] > left) & (points[:, 0] < right)
        assert not np.any(inside & (points[:, 1] > top) & (points[:, 1] < bottom))


def test_what_is_no_plot_stays() -> None:
    assert renamed("<svg><text>Line 1</text></svg>", longer) == "<svg><text>Line 1</text></svg>"
