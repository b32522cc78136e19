"""The form of a recording: what plays, where the microphone is, and the signal."""

from typing import Any, Final

from django import forms
from django.utils.translation import gettext, gettext_noop as kept

from jobs.models import MeasuredPhase, Microphone

EACH: Final = "each"
"""Every channel, one after another."""

KINDS: Final = [
    ("sweep", kept("Sweep")),
    ("pulse", kept("Polarity pulses")),
    ("pink", kept("Pink noise")),
    ("tone", kept("Tone")),
    ("channels", kept("Which channel is which")),
]
ONE_BY_ONE: Final = frozenset({"sweep", "pulse", "tone"})
"""Signals that are played again for each of several channels."""

TONES_HZ: Final = (50, 100, 400, 1000, 3150, 8000)
LENGTHS_S: Final = (2, 5, 10, 20)
PAUSES_S: Final = (2, 5, 10, 20)


class SignalForm(forms.Form):
    """A signal to be played: which, how long, how loud, and how often with a pause between."""

    kind = forms.ChoiceField(
        label="Signal",
        choices=KINDS,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )
    tone_hz = forms.TypedChoiceField(
        label="Frequency",
        choices=[(one, f"{one} Hz") for one in TONES_HZ],
        coerce=float,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )
    seconds = forms.TypedChoiceField(
        label="Length",
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

    def __init__(self, data: Any = None, *args: Any, **kwargs: Any) -> None:
        """What was recorded before there were several signals was a sweep."""
        if data is not None:
            data = {"kind": "sweep", "tone_hz": "1000", **{name: data[name] for name in data}}
        super().__init__(data, *args, **kwargs)


class RecordingForm(SignalForm):
    """A recording, or what the next one is to be."""

    phase = forms.ChoiceField(
        label="Taken",
        choices=MeasuredPhase.choices,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
    )
    playing = forms.ChoiceField(label="Playing")
    place = forms.CharField(
        label="Microphone at",
        max_length=60,
        help_text="Such as “head, centre”. Several places are averaged; of one place the newest "
        "counts, and earlier takes of it where you average them below.",
    )
    microphone = forms.ModelChoiceField(
        Microphone.objects.none(),
        label="Microphone",
        required=False,
        empty_label="Not calibrated",
    )
    device = forms.CharField(required=False, max_length=200, widget=forms.HiddenInput)

    field_order = (
        *("phase", "kind", "playing", "place", "microphone", "tone_hz", "seconds", "pause_s"),
    )

    def __init__(self, playing: list[tuple[str, Any]], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.channels = [key for key, _ in playing if key not in {"all", "left", "right"}]
        what, microphone = self.fields["playing"], self.fields["microphone"]
        assert isinstance(what, forms.ChoiceField)
        assert isinstance(microphone, forms.ModelChoiceField)
        each = [(EACH, kept("Every channel, one after another"))] if len(self.channels) > 1 else []
        what.choices = [*playing, *each]
        microphone.queryset = Microphone.objects.filter(in_use=True)

    def clean(self) -> dict[str, Any]:
        """Noise and the naming of channels are heard of one thing at a time."""
        data = super().clean() or {}
        if data.get("playing") == EACH and data.get("kind") not in ONE_BY_ONE:
            self.add_error(
                "playing", gettext("This signal is heard of one thing at a time: choose it.")
            )
        return data

    @property
    def order(self) -> list[str]:
        """What plays, one after another."""
        playing = self.cleaned_data["playing"]
        return self.channels if playing == EACH else [playing]
