"""The history of a job, and what speaks against a time, in the reader's language."""

import pytest
from django.utils import translation

from jobs import wording
from jobs.reads.history import _called, _kept

pytestmark = pytest.mark.once


def test_what_a_row_is_called_keeps_its_mark_and_what_somebody_typed() -> None:
    rows = {
        "SP3 coaxial, rear door left": "SP3 Koaxiallautsprecher, Hintertür links",
        "SP4 coaxial, rear door right": "SP4 Koaxiallautsprecher, Hintertür rechts",
        "A1.3 in After (as left)": "A1.3 in Nachher (wie übergeben)",
        "SP3 singer of the choir": "SP3 singer of the choir",
    }
    with translation.override("de"):
        assert {one: _called(one) for one in rows} == rows
        marks = ["Front bumper: chip, Bonnet edge", "typed without a colon"]
        assert _kept("marks", marks) == ["Stoßfänger vorn: Steinschlag, Bonnet edge", marks[1]]
        assert _kept("note", "Left") == "Left"
    assert [_called(one) for one in rows] == list(rows)


def test_what_a_pin_carries_keeps_its_sign() -> None:
    with translation.override("de"):
        assert wording.function_said("Tweeter, dash left +") == "Hochtöner, Armaturenbrett links +"
        assert wording.function_said("Tweeter, dash left -") == "Hochtöner, Armaturenbrett links -"
        assert wording.function_said("Window switch") == "Window switch"
    assert wording.function_said("Tweeter, dash left +") == "Tweeter, dash left +"
