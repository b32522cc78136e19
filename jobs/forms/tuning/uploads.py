"""Forms that take measured text: responses, and levels of factory outputs."""

from typing import Any, Final

from django import forms
from django.utils.translation import gettext

from jobs.forms.bay.cells import NumberField, show_number
from jobs.models import FactoryOutput, FactorySum, MeasuredPhase, OutputSide
from jobs.plan.capture import OCTAVES_HZ, band_name, octave_levels
from jobs.plan.measured import read

MOST_FILES: Final = 12
MOST_BYTES: Final = 4_000_000
ACCEPT: Final = ".txt,.csv,.tsv,.dat,text/plain"


def line_said(number: int, message: str) -> str:
    """What is wrong in a line of a text; number 0 is of the whole."""
    return f"Line {number}: {message}" if number else message


class SeveralFiles(forms.FileInput):
    """A file control that takes several."""

    allow_multiple_selected = True


class FilesField(forms.FileField):
    """Any number of files."""

    def clean(self, data: Any, initial: Any = None) -> list[Any]:
        return [super(FilesField, self).clean(one, initial) for one in data or () if one]


class ImportForm(forms.Form):
    """Measured responses: files or pasted text, when, what was playing, and where."""

    phase = forms.ChoiceField(
        label="Taken",
        choices=MeasuredPhase.choices,
        widget=forms.RadioSelect(attrs={"class": "segmented"}),
        initial=MeasuredPhase.BEFORE,
    )
    playing = forms.ChoiceField(label="Playing")
    place = forms.CharField(
        label="Microphone at",
        max_length=60,
        required=False,
        help_text="Such as “head, centre”. Of several files, each one’s name stands for its place.",
    )
    text_files = FilesField(
        label="Text files",
        required=False,
        help_text="Two columns: Hz and dB. Up to 12 files of 4 MB.",
        widget=SeveralFiles(attrs={"accept": ACCEPT}),
    )
    pasted = forms.CharField(
        label="or pasted text",
        required=False,
        strip=False,
        widget=forms.Textarea(attrs={"rows": 4, "class": "mono", "spellcheck": "false"}),
    )

    def __init__(self, playing: list[tuple[str, Any]], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        what = self.fields["playing"]
        assert isinstance(what, forms.ChoiceField)
        what.choices = playing

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        files, pasted = data.get("text_files") or [], data.get("pasted") or ""
        if not files and not pasted.strip() and "text_files" not in self.errors:
            self.add_error("text_files", gettext("Choose a file, or paste its text."))
        if len(files) > MOST_FILES:
            self.add_error(
                "text_files",
                gettext("Choose at most %(most)s files at a time.") % {"most": MOST_FILES},
            )
        for one in files:
            if one.size > MOST_BYTES:
                self.add_error(
                    "text_files",
                    gettext("%(one)s is larger than 4 MB: export fewer points.")
                    % {"one": one.name},
                )
        if len(files) < 2 and not (data.get("place") or "").strip():
            self.add_error("place", gettext("Say where the microphone was."))
        return data

    def uploads(self) -> list[tuple[str, str, bytes]]:
        """(file name, place, content) of each thing given."""
        data = self.cleaned_data
        files, place = data["text_files"], data["place"].strip()
        uploads = []
        for one in files:
            stem = one.name.rpartition(".")[0] or one.name
            where = place if len(files) == 1 else f"{place}, {stem}" if place else stem
            uploads.append((one.name, where[:60], one.read()))
        if data["pasted"].strip():
            name = "pasted text"
            where = place if not files else f"{place}, pasted" if place else "pasted"
            uploads.append((name, where[:60], data["pasted"].encode()))
        return uploads


class TextForm(forms.Form):
    """The kept text of a measurement, to put right."""

    text = forms.CharField(
        label="The text",
        strip=False,
        max_length=MOST_BYTES,
        widget=forms.Textarea(
            attrs={"rows": 14, "data-span": "all", "class": "mono", "spellcheck": "false"}
        ),
    )


def _band_field(hz: float) -> str:
    return f"band_{hz:g}".replace(".", "_")


class LevelsForm(forms.Form):
    """Levels by octave band as typed, or a file that stands in their place."""

    levels_file = forms.FileField(
        label="or a text file",
        required=False,
        help_text="Two columns: Hz and dB. It stands in the place of typed levels.",
        widget=forms.FileInput(attrs={"accept": ACCEPT}),
    )

    def __init__(self, held: Any, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.held = held
        levels = octave_levels(held.points) if held is not None and not held.file_name else {}
        for hz in OCTAVES_HZ:
            value = levels.get(hz)
            self.fields[_band_field(hz)] = NumberField(
                label=band_name(hz),
                unit="dB",
                required=False,
                min_value=-150,
                max_value=150,
                initial=None if value is None else show_number(value),
            )

    @property
    def bands(self) -> list[forms.BoundField]:
        """The typed levels, lowest band first."""
        return [self[_band_field(hz)] for hz in OCTAVES_HZ]

    def clean(self) -> dict[str, Any]:
        data: dict[str, Any] = super().clean() or {}
        upload = data.get("levels_file")
        typed = [
            [hz, data[_band_field(hz)]]
            for hz in OCTAVES_HZ
            if data.get(_band_field(hz)) is not None
        ]
        data["points"], data["file_name"] = typed, ""
        if upload:
            self._read_file(upload, data)
        elif not typed and self.held is not None and self.held.file_name:
            data["points"], data["file_name"] = self.held.points, self.held.file_name
        elif len(typed) < 3 and not self.errors:
            self.add_error(
                None, gettext("Type the levels of at least three bands, or choose a file.")
            )
        return data

    def _read_file(self, upload: Any, data: dict[str, Any]) -> None:
        if upload.size > MOST_BYTES:
            self.add_error(
                "levels_file", gettext("The file is larger than 4 MB: export fewer points.")
            )
            return
        levels = read(upload.read())
        for problem in levels.problems[:5]:
            said = line_said(problem["number"], problem["message"])
            self.add_error("levels_file", said)
        data["points"], data["file_name"] = levels.points, upload.name[:200]


class OutputForm(LevelsForm):
    """One output of the factory amplifier: name, side, where it was taken, its levels."""

    name = forms.CharField(
        label="Output", max_length=60, help_text="Such as “front door left, woofer”."
    )
    side = forms.ChoiceField(
        choices=OutputSide.choices, widget=forms.RadioSelect(attrs={"class": "segmented"})
    )
    plug = forms.CharField(label="Plug and pins", max_length=80, required=False)

    field_order = ("name", "side", "plug")

    def __init__(self, held: FactoryOutput | None, *args: Any, **kwargs: Any) -> None:
        initial = {"name": held.name, "side": held.side, "plug": held.plug} if held else {}
        super().__init__(held, *args, initial=initial, **kwargs)

    @property
    def facts(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {name: data[name] for name in ("name", "side", "plug", "points", "file_name")}


class SumForm(LevelsForm):
    """Two outputs measured together."""

    first = forms.ModelChoiceField(FactoryOutput.objects.none(), label="First output")
    second = forms.ModelChoiceField(FactoryOutput.objects.none(), label="Second output")

    field_order = ("first", "second")

    def __init__(self, outputs: Any, held: FactorySum | None, *args: Any, **kwargs: Any) -> None:
        initial = {"first": held.first, "second": held.second} if held else {}
        super().__init__(held, *args, initial=initial, **kwargs)
        for name in ("first", "second"):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)
            field.queryset = outputs

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        first, second = data.get("first"), data.get("second")
        if first is not None and first == second:
            self.add_error("second", gettext("Choose two different outputs."))
        if first is not None and second is not None and first.pk > second.pk:
            data["first"], data["second"] = second, first
        return data

    @property
    def facts(self) -> dict[str, Any]:
        data = self.cleaned_data
        return {name: data[name] for name in ("first", "second", "points", "file_name")}
