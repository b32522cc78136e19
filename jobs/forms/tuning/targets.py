"""Forms of what the shop keeps for tuning: target curves, and limits of a proposal."""

import re
from typing import Any

from django import forms

from jobs.forms.bay.cells import NumberField
from jobs.models import ProposalLimits, ShopTarget
from jobs.plan.measured import check_points
from shop.forms.base import ModelForm


def points_text(points: Any) -> str:
    """Points as lines of two numbers."""
    return "\n".join(f"{hz:g} {db:g}" for hz, db in points)


class TargetForm(ModelForm):
    """A target curve: its name and points, one a line."""

    points = forms.CharField(
        label="Points",
        help_text="One a line: frequency in Hz, level in dB. Straight lines join them over "
        "log frequency; beyond the ends the level stays.",
        widget=forms.Textarea(
            {"rows": 10, "data-span": "all", "class": "mono", "spellcheck": "false"}
        ),
    )

    class Meta:
        model = ShopTarget
        fields = ["name", "note", "points", "offered"]
        labels = {"offered": "Offered on jobs"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial["points"] = points_text(self.instance.points or [])

    def clean_points(self) -> list[list[float]]:
        number = NumberField()
        points: list[list[float]] = []
        wrong: list[str] = []
        for place, line in enumerate(self.cleaned_data["points"].splitlines(), 1):
            columns = re.split(r"[\s;]+", line.strip()) if line.strip() else []
            if not columns:
                continue
            try:
                hz, db = (number.clean(one) for one in columns)
            except (ValueError, forms.ValidationError):
                wrong.append(f"Line {place}: write two numbers, Hz and dB, such as “120 4.5”.")
            else:
                points.append([hz, db])
        if wrong:
            raise forms.ValidationError(wrong[:5])
        if trouble := check_points(points):
            raise forms.ValidationError(trouble)
        return points


class LimitsForm(ModelForm):
    """What a proposal may do."""

    class Meta:
        model = ProposalLimits
        fields = ["count", "cut_db", "boost_db", "q_low", "q_high"]
        labels = {"cut_db": "Cut at most", "boost_db": "Boost at most"}
        widgets = {
            "cut_db": forms.NumberInput({"data-unit": "dB", "step": "any"}),
            "boost_db": forms.NumberInput({"data-unit": "dB", "step": "any"}),
            "q_low": forms.NumberInput({"step": "any"}),
            "q_high": forms.NumberInput({"step": "any"}),
        }
        help_texts = {
            "count": "The processor’s own number counts where it is smaller.",
            "boost_db": "All boosts together. A boost eats headroom.",
        }
