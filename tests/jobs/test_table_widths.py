"""The columns of a paper's tables have the widths that their words ask for."""

from itertools import combinations
from random import Random
from xml.etree.ElementTree import XML, Element

import pytest
from PIL import ImageFont

from jobs.renderer import FONTS
from jobs.sheet import table_widths as columns
from jobs.sheet.table_widths import Piece, Widths

pytestmark = [pytest.mark.paper, pytest.mark.once]


@pytest.mark.parametrize("text", ["Tweeter, dash left 12.62 V", "Koaxiallautsprecher", "3,6 Ω ½ ñ"])
def test_a_text_is_as_wide_as_its_font_draws_it(text: str) -> None:
    """FreeType lays the same letters of the same font, kerning and rounding aside."""
    for bold, name in ((False, "Regular"), (True, "Bold")):
        drawn = ImageFont.truetype(FONTS / f"OpenSans-{name}.ttf", 1000).getlength(text) / 1000
        assert columns.width_em(text, bold=bold) == pytest.approx(drawn, rel=0.02)


def test_a_line_is_split_where_it_becomes_narrowest() -> None:
    chance = Random(7)
    for _ in range(60):
        line = [Piece(chance.randint(1, 9), chance.choice([0, 1])) for _ in range(7)]
        for parts in (2, 3):
            ways = [
                [line[low:high] for low, high in zip((0, *cuts), (*cuts, 7), strict=True)]
                for cuts in combinations(range(1, 7), parts - 1)
            ]
            best = min(max(map(columns._length, way)) for way in ways)
            assert columns._split(line, parts) == best


def em(text: str, *, bold: bool = False) -> float:
    return columns.width_em(text, bold=bold)


@pytest.mark.parametrize(
    ("cell", "word", "one"),
    [
        ("<td>\n  Door plug,\n  left\n</td>", em("Door"), em("Door plug, left")),
        ("<td>GN/WH</td>", em("GN/"), em("GN/WH")),
        ("<td>12/5</td>", em("12/5"), em("12/5")),
        ("<td>8\N{NO-BREAK SPACE}V</td>", em("8 V"), em("8 V")),
        ("<td>A<b>B</b> c</td>", em("A") + em("B", bold=True), em("A c") + em("B", bold=True)),
        ("<td>one<br/>three</td>", em("three"), em("three")),
        ("<td>a <span class='soft together'>b c</span></td>", em("b c"), em("a b c")),
        ("<td class='together'><svg/> GN pin 4</td>", 1.6 + em(" GN pin 4"), 1.6 + em(" GN pin 4")),
    ],
)
def test_a_cell(cell: str, word: float, one: float) -> None:
    found = columns.widths_of(XML(cell))
    assert found.word == pytest.approx(word + columns.PADDING_EM, abs=0.02)
    assert found.one == pytest.approx(one + columns.PADDING_EM, abs=0.02)


def test_an_empty_cell_asks_for_nothing() -> None:
    assert columns.widths_of(XML("<td> </td>")) == Widths()


@pytest.mark.parametrize(
    ("asked", "got"),
    [
        ([(5,) * 5, (5,) * 5], (0.5, 0.5)),
        ([(9, 9, 9, 9, 9), (10, 20, 30, 80, 80)], (9, 50)),
        ([(9, 9, 9, 9, 40), (10, 20, 30, 40, 40)], (19, 40)),
        ([(60,) * 5, (20,) * 5], (0.75, 0.25)),
    ],
)
def test_what_is_left_goes_where_lines_would_break(
    asked: list[tuple[float, ...]], got: tuple[float, float]
) -> None:
    """As far as it goes: a head last, and words in the middle only where nothing else is left."""
    found = columns.shares([Widths(*one) for one in asked])
    assert found == pytest.approx([one / 59 if one > 1 else one for one in got])


def test_a_table_gets_its_columns() -> None:
    table: Element = XML(
        "<table class='runs'><thead><tr><th>Mark</th><th>Where it is</th></tr></thead>"
        "<tbody><tr><th colspan='2'>a group of a whole line</th></tr>"
        "<tr><th>A</th><td>B</td></tr></tbody></table>"
    )
    columns.set_columns(table)
    group = table[0]
    assert table.get("class") == "runs told"
    assert group.tag == "colgroup"
    assert len(group) == 2
    widths = [float(one.get("style", "").removeprefix("width:").rstrip("%")) for one in group]
    assert sum(widths) == pytest.approx(100, abs=0.02)
    assert widths[1] > widths[0]
