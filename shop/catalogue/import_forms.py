"""Forms of a product file: the file itself, then what each of its columns stands for."""

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils.translation import gettext

from shop.catalogue.columns import (
    KIND,
    USUAL_LOADS_OHM,
    heading_of,
    is_column,
    rating_key,
    rating_of,
)
from shop.catalogue.product_forms import BASICS, GROUPS
from shop.catalogue.spreadsheets import MOST_BYTES, Table, UnreadableFile, read_table
from shop.models import CatalogueUpload, ProductKind

EXAMPLES = 3


class UploadForm(forms.Form):
    """A CSV or .xlsx file, read as soon as it is chosen."""

    file = forms.FileField(
        label="File",
        max_length=300,
        allow_empty_file=True,
        widget=forms.ClearableFileInput({"accept": ".csv,.tsv,.txt,.xlsx", "data-span": "all"}),
        help_text="CSV or .xlsx with one row of headings; at most 2 MB and 3000 rows.",
        error_messages={"required": "Choose a file."},
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if file := cleaned.get("file"):
            try:
                # One byte more than is taken, so that a large file is refused without being read.
                self.sheet = read_table(file.read(MOST_BYTES + 1))
            except UnreadableFile as error:
                self.add_error("file", str(error))
        return cleaned


class FileColumns(forms.Form):
    """What each column of a file stands for."""

    def __init__(self, data: Any = None, *, upload: CatalogueUpload, sheet: Table) -> None:
        super().__init__(data, initial=self.initial_of(upload))
        self.sheet = sheet
        choices = self.choices_for(upload.columns)
        for place, heading in enumerate(sheet.headings):
            self.fields[f"column_{place}"] = forms.ChoiceField(
                label=heading or f"Column {place + 1}",
                required=False,
                choices=choices,
                initial=upload.columns[place],
            )

    def initial_of(self, upload: CatalogueUpload) -> dict[str, Any]:
        """The other entries as they were made last."""
        return {}

    def choices_for(self, guessed: Iterable[str]) -> list[tuple[str, Any]]:
        """What a column may stand for."""
        raise NotImplementedError

    def heading_of(self, key: str) -> str:
        """What such a column is called."""
        raise NotImplementedError

    @property
    def columns(self) -> list[tuple[forms.BoundField, list[str]]]:
        """Each column with the first few things in it."""
        columns = []
        for place in range(len(self.sheet.headings)):
            cells = (row.cells[place] for row in self.sheet.rows)
            examples = [cell for _, cell in zip(range(EXAMPLES), filter(None, cells), strict=False)]
            columns.append((self[f"column_{place}"], examples))
        return columns

    @property
    def reading(self) -> list[forms.BoundField]:
        """The other entries: how the cells are read."""
        return [self[name] for name in self.fields if not name.startswith("column_")]

    def taken(self, cleaned: dict[str, Any]) -> dict[str, str]:
        """The headings by what they stand for; two for one are marked."""
        taken: dict[str, str] = {}
        for place in range(len(self.sheet.headings)):
            name = f"column_{place}"
            key = cleaned.get(name, "")
            if key and key in taken:
                standing = self.heading_of(key)
                self.add_error(
                    name,
                    gettext("“%(key)s” is %(standing)s already: choose one.")
                    % {"key": taken[key], "standing": standing},
                )
            elif key:
                taken[key] = str(self.fields[name].label)
        return taken

    def save(self, upload: CatalogueUpload) -> None:
        """Keep the choices with the upload."""
        chosen = self.cleaned_data
        upload.columns = [chosen[f"column_{place}"] for place in range(len(self.sheet.headings))]
        upload.save()


class ColumnsForm(FileColumns):
    """What each column of a product file stands for, and how the file is to be read."""

    kind = forms.ChoiceField(
        label="Kind of the rows that do not say it",
        required=False,
        choices=[("", "Each row says its kind"), *ProductKind.choices],
    )
    decimal_comma = forms.TypedChoiceField(
        label="Decimal mark in this file",
        choices=[("0", "Point: 4.5"), ("1", "Comma: 4,5")],
        coerce=lambda value: value == "1",
        widget=forms.RadioSelect({"class": "segmented"}),
    )
    clear_empty = forms.BooleanField(
        label="An empty cell empties the figure in the catalogue",
        required=False,
        help_text="Otherwise an empty cell leaves the figure as it stands.",
    )

    def initial_of(self, upload: CatalogueUpload) -> dict[str, Any]:
        return {
            "kind": upload.kind,
            "decimal_comma": str(int(upload.decimal_comma)),
            "clear_empty": upload.clear_empty,
        }

    def choices_for(self, guessed: Iterable[str]) -> list[tuple[str, Any]]:
        return _column_choices(guessed)

    def heading_of(self, key: str) -> str:
        return heading_of(key)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        taken = self.taken(cleaned)
        if not self.errors and not {"maker", "name"} <= taken.keys() and "part_number" not in taken:
            self.add_error(
                None,
                gettext(
                    "Say which columns are maker and name; or which is the part number, to "
                    "bring products up to date that are in the catalogue."
                ),
            )
        return cleaned

    def save(self, upload: CatalogueUpload) -> None:
        chosen = self.cleaned_data
        upload.kind = chosen["kind"]
        upload.decimal_comma = chosen["decimal_comma"]
        upload.clear_empty = chosen["clear_empty"]
        super().save(upload)


def _column_choices(guessed: Iterable[str]) -> list[tuple[str, Any]]:
    figures: dict[str, str] = {}
    for groups in GROUPS.values():
        for _, names in groups:
            figures.update((name, heading_of(name)) for name in names)
    loads = [(load_ohm, bridged) for bridged in (False, True) for load_ohm in USUAL_LOADS_OHM]
    powers = dict.fromkeys(rating_key(*load) for load in loads)
    powers |= dict.fromkeys(key for key in guessed if is_column(key) and rating_of(key))
    return [
        ("", "Leave out"),
        ("Product", [(key, heading_of(key)) for key in (KIND, *BASICS)]),
        ("Rated power", [(key, heading_of(key)) for key in powers]),
        ("Figures", sorted(figures.items(), key=lambda item: item[1])),
    ]
