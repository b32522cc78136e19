"""The cells of the tuning pages."""

from typing import Any

from django import forms

from jobs.forms.bay.cells import Fields, LengthCell, field_of
from jobs.models import ListeningSeat, MeasuredResponse, Reading, SeatDistance, TuningFacts
from jobs.plan.measured import targets
from shop.models import Shop, Units


def tape_unit(shop: Shop) -> str:
    """The unit a tape measure is read in: cm or in."""
    return "in" if shop.units == Units.US else "cm"


def facts_fields(names: tuple[str, ...]) -> Fields:
    """What a tuning takes for granted: the cells of one group."""
    fields: Fields = {
        "air_c": field_of(TuningFacts, "air_c", label="Air in the car", unit="°C"),
        "overlap_db": field_of(
            TuningFacts, "overlap_db", label="Extra gain for quiet tracks", unit="dB"
        ),
        "tone_dbfs": field_of(TuningFacts, "tone_dbfs", label="Test tone", unit="dBFS"),
        "smoothing": field_of(TuningFacts, "smoothing"),
    }
    if "target" in names:
        fields["target"] = forms.ChoiceField(
            label="Target curve", choices=[(name, name) for name in targets()]
        )
    return {name: fields[name] for name in names}


def seat_fields() -> Fields:
    """How much a seat counts."""
    return {"weight": field_of(ListeningSeat, "weight", label="Counts")}


def distance_fields(shop: Shop) -> Fields:
    """The way from a speaker to a seat."""
    return {
        "distance_m": field_of(
            SeatDistance, "distance_m", field_class=LengthCell, unit=tape_unit(shop)
        )
    }


def level_fields() -> Fields:
    """A voltage and what it was measured with."""
    return {
        "after_value": field_of(
            Reading, "after_value", label="Measured", unit="V", min_value=0, max_value=400
        ),
        "after_instrument": field_of(Reading, "after_instrument", label="Meter"),
    }


def measured_fields(playing: list[tuple[str, Any]]) -> Fields:
    """Where a response was measured, what was playing, and whether it counts."""
    return {
        "playing": forms.ChoiceField(label="Playing", choices=playing),
        "place": field_of(MeasuredResponse, "place"),
        "counts": field_of(MeasuredResponse, "counts"),
    }
