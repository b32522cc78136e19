"""Label sheets: the paper a shop prints its labels on, in millimetres."""

from typing import Any, Final, NamedTuple

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from shop.wording import quantity

LARGEST_MM: Final = 450.0
SLACK_MM: Final = 0.05
"""Rounding allowed where labels meet the edge of the page or each other."""


def _mm(name: str, low: float = 0.0, default: float | None = None) -> Any:
    limits = [MinValueValidator(low), MaxValueValidator(LARGEST_MM)]
    if default is None:
        return models.FloatField(f"{name}, mm", validators=limits)
    return models.FloatField(f"{name}, mm", default=default, validators=limits)


class Place(NamedTuple):
    """The upper left corner of a label, from that of its page, in millimetres."""

    page: int
    x_mm: float
    y_mm: float


class LabelSheet(models.Model):
    """Rows and columns of equal labels on a page; a roll is a page with one label.

    The pitch is from the edge of one label to the same edge of the next; 0 means that labels
    touch.
    """

    name = models.CharField(max_length=60, unique=True)
    page_width_mm = _mm("page width", 5, 210.0)
    page_height_mm = _mm("page height", 5, 297.0)
    columns = models.PositiveSmallIntegerField(
        default=3, validators=[MinValueValidator(1), MaxValueValidator(30)]
    )
    rows = models.PositiveSmallIntegerField(
        default=8, validators=[MinValueValidator(1), MaxValueValidator(60)]
    )
    label_width_mm = _mm("label width", 5)
    label_height_mm = _mm("label height", 4)
    left_mm = _mm("from the left edge of the page to the first label")
    top_mm = _mm("from the top edge of the page to the first label")
    pitch_x_mm = _mm("pitch across", default=0.0)
    pitch_y_mm = _mm("pitch down", default=0.0)
    active = models.BooleanField("in use", default=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name

    @property
    def per_page(self) -> int:
        return self.columns * self.rows

    @property
    def step_x_mm(self) -> float:
        return float(self.pitch_x_mm or self.label_width_mm)

    @property
    def step_y_mm(self) -> float:
        return float(self.pitch_y_mm or self.label_height_mm)

    def place(self, index: int) -> Place:
        """Where the label at `index` lies; 0 is the first of the first page, rows run across."""
        page, on_page = divmod(index, self.per_page)
        row, column = divmod(on_page, self.columns)
        return Place(
            page,
            self.left_mm + column * self.step_x_mm,
            self.top_mm + row * self.step_y_mm,
        )

    def clean(self) -> None:
        """Every label lies on the page and none on another."""
        super().clean()
        errors: dict[str, str] = {}
        ways = (
            ("x", "across", self.columns, self.label_width_mm, self.pitch_x_mm),
            ("y", "down", self.rows, self.label_height_mm, self.pitch_y_mm),
        )
        for axis, word, count, size_mm, pitch_mm in ways:
            first_mm = self.left_mm if axis == "x" else self.top_mm
            page_mm = self.page_width_mm if axis == "x" else self.page_height_mm
            if None in (count, size_mm, pitch_mm, first_mm, page_mm):
                continue
            if count > 1 and 0 < pitch_mm < size_mm - SLACK_MM:
                errors[f"pitch_{axis}_mm"] = (
                    f"Labels would lie on each other: the pitch {word} is at least the label's "
                    f"size, {quantity(size_mm, 'mm')}, or 0 where they touch."
                )
                continue
            end_mm = first_mm + (count - 1) * (pitch_mm or size_mm) + size_mm
            if end_mm > page_mm + SLACK_MM:
                errors["columns" if axis == "x" else "rows"] = (
                    f"{count} labels {word} end at {quantity(end_mm, 'mm', 1)}, past the page of "
                    f"{quantity(page_mm, 'mm')}. Take fewer, smaller or closer ones."
                )
        if errors:
            raise ValidationError(errors)
