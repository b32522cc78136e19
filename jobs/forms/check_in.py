"""The check-in form and the marks that come with it."""

import base64
import binascii
import io
import re
from itertools import zip_longest
from typing import Any, Final

from django import forms
from django.http import QueryDict
from PIL import Image

from jobs.models import CheckIn, MarkKind
from jobs.services.check_in import PNG, Mark
from shop.forms.base import ModelForm
from shop.typed import fraction, line

LONGEST_NOTE: Final = 120
MOST_SIGNATURE_PIXELS: Final = 8_000_000
"""A field as wide as a tablet at three dots a pixel has 3 million."""
_KEY: Final = re.compile(r"[\w-]{1,36}\Z", re.ASCII)


class CheckInForm(ModelForm):
    """What is written down on arrival; nothing but the odometer is asked for to save."""

    class Meta:
        model = CheckIn
        fields = [
            "odometer",
            "odometer_unit",
            "energy_percent",
            "keys_count",
            "keys_note",
            "valuables",
            "customer_report",
        ]
        labels = {
            "odometer": "Odometer",
            "odometer_unit": "Odometer unit",
            "keys_note": "Keys hang at",
        }
        widgets = {
            "odometer": forms.NumberInput({"inputmode": "numeric", "autocomplete": "off"}),
            "odometer_unit": forms.Select(),
            "keys_count": forms.NumberInput({"inputmode": "numeric", "min": "0"}),
            "keys_note": forms.TextInput({"autocomplete": "off"}),
            "valuables": forms.Textarea({"rows": 2, "data-span": "all"}),
            "customer_report": forms.Textarea({"rows": 4, "data-span": "all"}),
        }

    def values(self) -> dict[str, Any]:
        """The cleaned values by field name."""
        return {name: self.cleaned_data[name] for name in self.Meta.fields}


def marks_of(data: QueryDict) -> list[Mark]:
    """The marks in a submitted form, in order; what cannot be placed is left out."""
    names = ("mark_kind", "mark_x", "mark_y", "mark_note", "mark_key")
    rows = zip_longest(*(data.getlist(name) for name in names), fillvalue="")
    marks = []
    for kind, x_text, y_text, note, key in rows:
        x, y = fraction(x_text), fraction(y_text)
        if kind in MarkKind.values and x is not None and y is not None:
            note = line(note)[:LONGEST_NOTE]
            key = key if _KEY.match(key) else ""
            marks.append(Mark(kind, round(x, 4), round(y, 4), note, key))
    return marks


def is_png(signature: str) -> bool:
    """Whether a signature is a PNG picture as a data URL, of a size that paper can be made with."""
    try:
        data = base64.b64decode(signature.removeprefix(PNG), validate=True)
        with Image.open(io.BytesIO(data), formats=("PNG",)) as image:
            if image.width * image.height > MOST_SIGNATURE_PIXELS:
                return False
            image.load()
    except (binascii.Error, OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return False
    return signature.startswith(PNG)
