"""Small forms that add something to the bay sheet."""

from typing import Any, Final

from django import forms
from django.utils import timezone
from django.utils.translation import gettext

from jobs.forms.bay.cells import field_of
from jobs.forms.bay.fields import COIL_JOININGS, Nodes, run_fields
from jobs.models import FitOutcome, FitProof, JobSpeaker, PowerRun
from jobs.plan.power import size_choices
from jobs.services.channels import PartLeft
from jobs.services.readings import UNITS
from shop.forms.base import ModelForm
from shop.models import Product, Shop, Units
from shop.models.products import SUPPLY_KINDS, SpeakerKind
from shop.typed import sane_day


class FitProofForm(ModelForm):
    """What was consulted, its number, the date, and what it says."""

    class Meta:
        model = FitProof
        fields = ["source", "reference", "consulted_on", "outcome", "note", "guide"]
        widgets = {
            "consulted_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "outcome": forms.RadioSelect(attrs={"class": "segmented"}),
            "note": forms.Textarea(attrs={"rows": 2, "data-span": "all"}),
            "guide": forms.FileInput(
                attrs={"accept": ".pdf,.png,.jpg,.jpeg,.txt", "data-span": "all"}
            ),
        }
        help_texts = {
            "source": "Maker's fit guide, wiring diagram, trial fit: what was looked at.",
            "guide": "PDF, picture or text, up to 10 MB.",
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        outcome = self.fields["outcome"]
        assert isinstance(outcome, forms.ChoiceField)
        outcome.choices = FitOutcome.choices
        outcome.widget.attrs["data-span"] = "all"
        self.fields["consulted_on"].initial = timezone.localdate
        self.fields["consulted_on"].validators.append(sane_day)


class FunctionForm(forms.Form):
    """A function of this car that the list lacks."""

    name = forms.CharField(max_length=80, label="Function")
    how = forms.CharField(max_length=200, label="How to try it", required=False)


class ReadingForm(forms.Form):
    """A reading of this job's own."""

    label = forms.CharField(max_length=80, label="What is measured")
    unit = forms.ChoiceField(choices=[(unit, unit) for unit in UNITS])
    wanted_before = forms.BooleanField(
        label="Also wanted before the work", required=False, initial=True
    )


class OtherSettingForm(forms.Form):
    """A setting outside the channels."""

    name = forms.CharField(max_length=80, label="Setting")
    before = forms.CharField(max_length=80, label="As found", required=False)


class PanelForm(forms.Form):
    """A panel that is taken off."""

    name = forms.CharField(
        max_length=80,
        label="Panel",
        widget=forms.TextInput(attrs={"list": "panels-known", "autocomplete": "off"}),
    )
    clips = forms.IntegerField(min_value=0, max_value=200, required=False, label="Clips and screws")


class NoteForm(forms.Form):
    """A note on the bay sheet."""

    text = forms.CharField(
        label="New note", max_length=4000, widget=forms.Textarea(attrs={"rows": 3})
    )


class WorkingRecordForm(forms.Form):
    """The name under which the present settings are kept."""

    name = forms.CharField(max_length=60, label="Name", help_text="Such as “after first listen”.")


class PlaceForm(forms.Form):
    """Which speaker sits at a position: one of the job's parts, or a factory speaker that stays."""

    what = forms.ChoiceField(label="Which speaker", widget=forms.RadioSelect)
    coil_joining = forms.ChoiceField(
        label="Its two coils",
        choices=COIL_JOININGS,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
        required=False,
    )
    name = forms.CharField(max_length=80, label="Name", initial="Factory speaker", required=False)
    kind = forms.ChoiceField(choices=SpeakerKind.choices, label="Kind")
    impedance_ohm = field_of(JobSpeaker, "impedance_ohm", label="Impedance, Ω", unit="Ω", initial=4)
    power_w = field_of(JobSpeaker, "power_w", label="Continuous power, W", unit="W")
    min_high_pass_hz = field_of(
        JobSpeaker, "min_high_pass_hz", label="Lowest safe high-pass, Hz", unit="Hz"
    )

    both_sides = forms.BooleanField(label="The same on the other side", required=False)

    FACTORY: Final = "factory"
    use_required_attribute = False

    def __init__(self, parts: list[PartLeft], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.left = {str(one.part.pk): one for one in parts if one.left}
        what = self.fields["what"]
        assert isinstance(what, forms.ChoiceField)
        what.choices = [
            *((key, str(one.part.product)) for key, one in self.left.items()),
            (self.FACTORY, "A factory speaker that stays"),
        ]
        what.error_messages["invalid_choice"] = "Every one of that part has a place already."
        what.initial = next(iter(self.left), self.FACTORY)

    @property
    def two_coils(self) -> bool:
        """Some part to choose has two coils."""
        return any(one.part.product.coils > 1 for one in self.left.values())

    @property
    def part_pk(self) -> int | None:
        what = self.cleaned_data["what"]
        return None if what == self.FACTORY else self.left[what].part.pk

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if data.get("what") != self.FACTORY:
            for name in ("name", "kind", "impedance_ohm", "power_w", "min_high_pass_hz"):
                self.errors.pop(name, None)
        part = self.left.get(data.get("what", ""))
        if part is not None and part.part.product.coils > 1 and not data.get("coil_joining"):
            self.add_error(
                "coil_joining",
                gettext("Say how its two coils are joined, or that each has a channel."),
            )
        return data

    @property
    def facts(self) -> dict[str, Any]:
        """What is known of a factory speaker."""
        data = self.cleaned_data
        return {
            "name": data.get("name", "").strip() or "Factory speaker",
            "kind": data.get("kind"),
            "impedance_ohm": data.get("impedance_ohm"),
            "power_w": data.get("power_w"),
            "min_high_pass_hz": data.get("min_high_pass_hz"),
        }


class SupplyPartForm(forms.Form):
    """A part of the power path that plays nothing: battery, capacitor, isolator, converter."""

    product = forms.ModelChoiceField(
        Product.objects.none(), label="Part", empty_label="Choose from the catalogue"
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        product = self.fields["product"]
        assert isinstance(product, forms.ModelChoiceField)
        product.queryset = Product.objects.offered().filter(kind__in=SUPPLY_KINDS)

    @property
    def known(self) -> bool:
        """Whether the catalogue has any."""
        product = self.fields["product"]
        assert isinstance(product, forms.ModelChoiceField)
        return product.queryset is not None and product.queryset.exists()


class RunForm(forms.Form):
    """A run of cable to add: where from, where to, what size, how long, which fuse."""

    kind = forms.ChoiceField(
        choices=PowerRun.Kind.choices, widget=forms.RadioSelect(attrs={"class": "segmented"})
    )
    from_node = forms.ChoiceField(label="From")
    to_node = forms.ChoiceField(label="To")
    size = forms.ChoiceField(label="Conductor")

    def __init__(self, shop: Shop, nodes: Nodes, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        cells = run_fields(shop, nodes)
        for name in ("from_node", "to_node"):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = nodes
        size = self.fields["size"]
        assert isinstance(size, forms.ChoiceField)
        size.choices = [("", "Choose"), *size_choices(shop.units == Units.US)]
        for name in ("length_m", "fuse_rating_a", "fuse_body", "fuse_distance_m"):
            self.fields[name] = cells[name]
            if unit := getattr(cells[name], "unit", ""):
                cells[name].widget.attrs["data-unit"] = unit

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        if data.get("from_node") and data.get("from_node") == data.get("to_node"):
            self.add_error(
                "to_node", gettext("A run goes from one end to another: choose another end.")
            )
        return data

    @property
    def facts(self) -> dict[str, Any]:
        """The run as the service takes it."""
        return dict(self.cleaned_data)
