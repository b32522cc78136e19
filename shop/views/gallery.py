"""The components of the pages, each in its states: for developers, never in a shop."""

import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Final

from django import forms
from django.conf import settings
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from shop.access import allow_any_staff
from shop.bars import Bar, bars
from shop.http import Request

CAUTIONS: Final = ("battery", "airbag", "high_voltage", "drilling", "lifting", "hearing")
STAGES: Final = (
    ("booked", "Booked"),
    ("checked_in", "Checked in"),
    ("in_bay", "In bay"),
    ("on_hold", "On hold"),
    ("ready_for_review", "Ready for review"),
    ("signed_off", "Signed off"),
    ("cancelled", "Cancelled"),
)
GRID_STATES: Final = (
    ("", ""),
    ("saving", "Saving"),
    ("saved", "Saved"),
    ("unsaved", "Not saved yet"),
    ("error", "Not saved"),
    ("clash", "Changed by two"),
)
_AT: Final = datetime(2026, 3, 4, 9, 30, tzinfo=UTC)
_EVENTS: Final = (
    SimpleNamespace(at=_AT, actor="Maud", sentence="Booked for Thursday."),
    SimpleNamespace(at=_AT, actor="Piers", sentence="The work was started."),
)
_CLASHES: Final = (
    SimpleNamespace(
        label="Level", mine="−3 dB", theirs="−4 dB", actor="Idris", at=_AT, field="level_db"
    ),
)
_FIGURES: Final = (
    SimpleNamespace(
        label="voltage drop",
        value=0.31,
        unit="V",
        formula="U = I · R",
        worked="42 A · 7.4 mΩ",
        source="Ohm's law",
        assumed=("20 °C",),
    ),
    SimpleNamespace(label="current", value=42.0, unit="A", formula="I = P / U"),
)


class _Fields(forms.Form):
    """One of each control; sent empty it shows their errors."""

    text = forms.CharField(label="Words", help_text="What a field may say about itself.")
    length = forms.DecimalField(
        label="Cable length",
        required=False,
        widget=forms.TextInput({"inputmode": "decimal", "data-unit": "m"}),
    )
    choice = forms.ChoiceField(label="One of several", choices=[("", "Choose"), ("1", "First")])
    note = forms.CharField(
        label="Note", widget=forms.Textarea({"rows": 3, "data-span": "all"}), required=False
    )
    day = forms.SplitDateTimeField(label="Day and time", required=False)
    heard = forms.ChoiceField(
        label="Door chime",
        choices=[("yes", "Works"), ("no", "Silent")],
        widget=forms.RadioSelect({"class": "segmented"}),
    )
    several = forms.MultipleChoiceField(
        label="Any of these",
        choices=[("a", "Front"), ("b", "Rear")],
        widget=forms.CheckboxSelectMultiple({"class": "choices"}),
        required=False,
    )
    agreed = forms.BooleanField(label="A tick", required=False)


def _icons() -> list[str]:
    drawn = Path(settings.BASE_DIR / "static" / "img" / "icons.svg").read_text(encoding="utf-8")
    return re.findall(r'<symbol id="([\w-]+)"', drawn)


_BARS: Final = (Bar("2 Nov", (31.5, 36.0), "31.5 h of 36 h"), Bar("9 Nov", (40.0, 38.0), "40 h"))


@allow_any_staff
@require_safe
def gallery(request: Request) -> HttpResponse:
    """Every component, each section named by its style sheet."""
    disabled = _Fields(auto_id="disabled_%s")
    for field in disabled.fields.values():
        field.disabled = True
    context: dict[str, Any] = {
        "icons": _icons(),
        "cautions": CAUTIONS,
        "stages": STAGES,
        "events": _EVENTS,
        "row": {"clashes": _CLASHES},
        "figures": _FIGURES,
        "page_of_many": Paginator(range(30), 10).page(2),
        "filled": _Fields(auto_id="filled_%s", initial={"text": "Front door", "length": "4.2"}),
        "refused": _Fields({}, auto_id="refused_%s"),
        "disabled": disabled,
        "lines": range(1, 9),
        "grid_states": GRID_STATES,
        "bars": bars(_BARS, title=gettext("Hours worked against booked")),
    }
    return render(request, "gallery/page.html", context)
