"""The history of a job, and what speaks against a time, in the reader's language."""

import ast
import inspect
import re

import pytest
from django.apps import apps
from django.utils import translation

from jobs import wording
from jobs.models import PowerRun
from jobs.models.clock import ClockEnd
from jobs.reads.history import _TITLES, WORDED, _called, _kept, _named
from shop.kept_words import told
from tests.catalogue import ROOT

pytestmark = pytest.mark.once


def test_what_a_row_is_called_keeps_its_mark_and_what_somebody_typed() -> None:
    rows = {
        "SP3 coaxial, rear door left": "SP3 Koaxiallautsprecher, Hintertür links",
        "SP4 coaxial, rear door right": "SP4 Koaxiallautsprecher, Hintertür rechts",
        "A1.3 in After (as left)": "A1.3 in Nachher (wie übergeben)",
        "SP3 singer of the choir": "SP3 singer of the choir",
        "Measured in the car": "Measured in the car",
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


def test_what_a_photo_shows_keeps_the_name_of_a_part() -> None:
    with translation.override("de"):
        assert (
            wording.photographed("Step: Label every wire at both ends as in the channel plan.")
            != "Step: Label every wire at both ends as in the channel plan."
        )
        assert wording.photographed("Part A2 Weir One") == "Teil A2 Weir One"


SAID_OTHERWISE = {
    *("part.added", "part.removed", "desk.said", "desk.withdrawn", "entry.clash"),
}
"""Events of which the sentence is not a title and what changed."""


def test_every_event_of_a_job_has_a_title_that_can_be_said_in_every_language() -> None:
    kinds = {code.partition(".")[0] for code in _TITLES} - {"job", "setup"}
    code = re.compile(rf"(?:{'|'.join(kinds)})\.[a-z_]+")
    written = {
        node.value
        for top in ("services", "setups", "sheet")
        for path in (ROOT / "jobs" / top).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant)
        and code.fullmatch(str(node.value))
        and not str(node.value).endswith((".jpg", ".flac", ".json"))
    }
    ended = {f"clock.{str(one.label).lower()}" for one in ClockEnd if one}
    assert (written | ended) - _TITLES.keys() == SAID_OTHERWISE
    with translation.override("de"):
        assert [one for one in _TITLES.values() if told(one) == one] == []


NOT_IN_THE_HISTORY = {
    *("recordchain", "shopchain", "sheetreceipt", "estimateapproval", "outgoingmail", "recording"),
    *("photo", "jobphoto", "setupversion", "setupuse", "proposallimits", "mail", "delivery"),
    "signingcertificate",
}


def test_a_row_with_a_word_of_ours_in_its_name_is_named_in_the_readers_language() -> None:
    worded = {
        model._meta.model_name
        for model in apps.get_app_config("jobs").get_models()
        if "__str__" in vars(model)
        and any(
            re.search(r"(?<![{.\w])[a-z]{2,}(?![\w.(}])", re.sub(r"\{[^}]*\}", " ", text))
            for text in re.findall(r'f"([^"]*)"', inspect.getsource(model.__str__))
        )
    }
    assert worded - NOT_IN_THE_HISTORY == set(WORDED)
    with translation.override("de"):
        run = PowerRun(label="R1", from_node="battery", to_node="A1")
        assert _named(run) == "R1 Batterie bis A1"
