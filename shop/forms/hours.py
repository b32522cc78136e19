"""When the shop is open, who is away."""

from datetime import time
from typing import Any, Final

from django import forms
from django.utils.dates import WEEKDAYS
from django.utils.translation import gettext, gettext_noop as kept

from shop import branches
from shop.forms.base import LongSelect, ModelForm
from shop.hours import countries, regions
from shop.models import Absence, ClosedDays, OpenHours, Shop, StaffMember
from shop.typed import sane_day

EDGES: Final = (("opens", kept("%(day)s, opens at")), ("closes", kept("%(day)s, closes at")))
NEEDS_BOTH: Final = "Give both times, or neither for a day closed."


def _time() -> forms.TimeField:
    return forms.TimeField(
        required=False,
        widget=forms.TimeInput({"type": "time", "step": "300"}, format="%H:%M"),
        error_messages={"invalid": "Give a time such as 08:00."},
    )


class WeekForm(forms.Form):
    """Opening hours of each weekday; both times empty on a day closed."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        stands = {row.weekday: row for row in OpenHours.objects.filter(branches.shown())}
        for weekday, name in sorted(WEEKDAYS.items()):
            row = stands.get(weekday)
            for edge, said in EDGES:
                field = _time()
                field.label = gettext(said) % {"day": name}
                field.initial = getattr(row, f"{edge}_at", None)
                field.widget.attrs["aria-label"] = field.label
                self.fields[f"{edge}_{weekday}"] = field

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for weekday in WEEKDAYS:
            opens, closes = data.get(f"opens_{weekday}"), data.get(f"closes_{weekday}")
            if self.has_error(f"opens_{weekday}") or self.has_error(f"closes_{weekday}"):
                continue
            if (opens is None) != (closes is None):
                self.add_error(f"{'closes' if opens else 'opens'}_{weekday}", NEEDS_BOTH)
            elif opens is not None and closes is not None and closes <= opens:
                self.add_error(f"closes_{weekday}", "That is before the shop opens.")
        return data

    @property
    def hours(self) -> dict[int, tuple[time, time]]:
        """The hours by weekday; a day that is not in it is closed."""
        given = self.cleaned_data
        return {
            weekday: (given[f"opens_{weekday}"], given[f"closes_{weekday}"])
            for weekday in WEEKDAYS
            if given[f"opens_{weekday}"] is not None
        }

    @property
    def days(self) -> list[tuple[str, forms.BoundField, forms.BoundField]]:
        """Name and the two fields of each weekday."""
        return [
            (str(name), self[f"opens_{weekday}"], self[f"closes_{weekday}"])
            for weekday, name in sorted(WEEKDAYS.items())
        ]


class HolidayForm(ModelForm):
    """Whose public holidays the shop keeps."""

    country = forms.ChoiceField(required=False, widget=LongSelect)
    region = forms.ChoiceField(required=False)

    class Meta:
        model = Shop
        fields = ["country", "region", "keeps_holidays"]
        labels = {"keeps_holidays": "Closed on public holidays"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        country = self.data.get("country") if self.is_bound else self.instance.country
        codes = regions(country or "")
        self._choice("country").choices = [("", "Not said"), *countries()]
        self._choice("region").choices = [("", "All of it"), *((code, code) for code in codes)]
        if not codes:
            self.fields["region"].widget = forms.HiddenInput()

    def _choice(self, name: str) -> forms.ChoiceField:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        return field

    def clean_region(self) -> str:
        region: str = self.cleaned_data["region"]
        return region if region in regions(self.cleaned_data.get("country", "")) else ""


def _day(label: str) -> forms.DateField:
    return forms.DateField(
        label=label,
        validators=[sane_day],
        widget=forms.DateInput({"type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Give a day.", "invalid": "Give a day."},
    )


class DaysForm(ModelForm):
    """A stretch of days; the last is the first where it is left empty."""

    first_day = _day("From")
    last_day = _day("To, that day too")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["last_day"].required = False

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("first_day") and not data.get("last_day") and "last_day" not in self.errors:
            data["last_day"] = data["first_day"]
        return data


class ClosedForm(DaysForm):
    """Days on which the shop is closed."""

    prefix = "closed"

    class Meta:
        model = ClosedDays
        fields = ["first_day", "last_day", "why"]
        labels = {"why": "Why"}


class AbsenceForm(DaysForm):
    """Days on which somebody is away."""

    prefix = "away"
    person = forms.ModelChoiceField(
        StaffMember.objects.none(),
        label="Who",
        empty_label="Choose",
        error_messages={"required": "Say who is away."},
    )

    class Meta:
        model = Absence
        fields = ["person", "first_day", "last_day", "why"]
        labels = {"why": "Why"}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        person = self.fields["person"]
        assert isinstance(person, forms.ModelChoiceField)
        person.queryset = StaffMember.objects.filter(branches.people(), is_active=True)
