"""The form of a label sheet."""

from typing import Any, Final

from django import forms

from shop.forms.base import ModelForm
from shop.models import LabelSheet

_MM: Final = {"data-unit": "mm", "step": "any"}


class LabelSheetForm(ModelForm):
    """Page, grid and label of a sheet; the model says whether they fit."""

    class Meta:
        model = LabelSheet
        fields = [
            "name",
            "page_width_mm",
            "page_height_mm",
            "columns",
            "rows",
            "label_width_mm",
            "label_height_mm",
            "left_mm",
            "top_mm",
            "pitch_x_mm",
            "pitch_y_mm",
            "active",
        ]
        labels = {
            "page_width_mm": "Page width",
            "page_height_mm": "Page height",
            "columns": "Labels across",
            "rows": "Labels down",
            "label_width_mm": "Label width",
            "label_height_mm": "Label height",
            "left_mm": "First label from the left edge",
            "top_mm": "First label from the top edge",
            "pitch_x_mm": "Pitch across",
            "pitch_y_mm": "Pitch down",
            "active": "In use: offered when labels are printed",
        }
        help_texts = {
            "pitch_x_mm": "From one label's left edge to the next one's; 0 where they touch.",
            "pitch_y_mm": "From one label's top edge to the next one's; 0 where they touch.",
        }
        widgets = {name: forms.NumberInput(_MM) for name in fields if name.endswith("_mm")}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["name"].widget.attrs.update({"data-span": "all", "autocomplete": "off"})
