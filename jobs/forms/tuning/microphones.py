"""The form of a measuring microphone: its name, and its calibration as a file or as text."""

from typing import Any

from django import forms

from jobs.forms.tuning.uploads import ACCEPT, MOST_BYTES, line_said
from jobs.models import Microphone
from shop.forms.base import ModelForm
from shop.lazy import Lazy

sums = Lazy("jobs.plan.recordings")


class MicrophoneForm(ModelForm):
    """Without a calibration what is heard through it stands as it is heard."""

    calibration_file = forms.FileField(
        required=False,
        help_text="Two columns: Hz and dB. It stands in the place of the text below.",
        widget=forms.FileInput(attrs={"accept": ACCEPT}),
    )

    class Meta:
        model = Microphone
        fields = ["name", "serial", "calibration_file", "text", "in_use"]
        labels = {"text": "or its text"}
        widgets = {
            "text": forms.Textarea(
                {"rows": 8, "data-span": "all", "class": "mono", "spellcheck": "false"}
            )
        }

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        file, field = data.get("calibration_file"), "text"
        if file and file.size > MOST_BYTES:
            self.add_error("calibration_file", "The file is larger than 4 MB: is it the right one?")
            return data
        if file:
            field = "calibration_file"
            data["text"] = sums.decode(file.read()).replace("\x00", "")
        self.instance.points = []
        if data.get("text", "").strip():
            try:
                self.instance.points = sums.calibration_points(data["text"])
            except sums.MeasurementError as error:
                for one in error.problems[:5]:
                    self.add_error(field, line_said(one.number, one.message))
        return data
