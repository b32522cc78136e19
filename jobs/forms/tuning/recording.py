"""The form of a recording: what plays, where the microphone is, and the signal."""

from typing import Any, Final

from django import forms

from jobs.models import MeasuredPhase, Microphone

EACH: Final = "each"
"""Every channel, one after another."""

LENGTHS_S: Final = (2, 5, 10, 20)
PAUSES_S: Final = (2, 5, 10, 20)


class SignalForm(forms.Form):
    """A signal to be played: how long, how loud, and how often with a pause between."""

    seconds = forms.TypedChoiceField(
        label="Length of the sweep",
        choices=[(one, f"{one} s") for one in LENGTHS_S],
        coerce=float,
        initial=5,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )
    level_dbfs = forms.FloatField(widget=forms.HiddenInput)
    pause_s = forms.TypedChoiceField(
        label="Pause to turn the next one on",
        choices=[(one, f"{one} s") for one in PAUSES_S],
        coerce=float,
        initial=5,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )


class RecordingForm(SignalForm):
    """A recording, or what the next one is to be."""

    phase = forms.ChoiceField(
        label="Taken",
        choices=MeasuredPhase.choices,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )
    playing = forms.ChoiceField(label="Playing")
    place = forms.CharField(
        label="Microphone at", max_length=60, help_text="Such as “head, centre”."
    )
    microphone = forms.ModelChoiceField(
        Microphone.objects.none(),
        label="Microphone",
        required=False,
        empty_label="Not calibrated",
    )
    device = forms.CharField(required=False, max_length=200, widget=forms.HiddenInput)

    field_order = ("phase", "playing", "place", "microphone", "seconds", "pause_s")

    def __init__(self, playing: list[tuple[str, Any]], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.channels = [key for key, _ in playing if key not in {"all", "left", "right"}]
        what, microphone = self.fields["playing"], self.fields["microphone"]
        assert isinstance(what, forms.ChoiceField)
        assert isinstance(microphone, forms.ModelChoiceField)
        each = [(EACH, "Every channel, one after another")] if len(self.channels) > 1 else []
        what.choices = [*playing, *each]
        microphone.queryset = Microphone.objects.filter(in_use=True)

    @property
    def order(self) -> list[str]:
        """What plays, one after another."""
        playing = self.cleaned_data["playing"]
        return self.channels if playing == EACH else [playing]
