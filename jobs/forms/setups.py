"""Forms of saved setups."""

from typing import Any

from django import forms

from jobs.setups.items import Comparison, Item


class SetupForm(forms.Form):
    """Name and note of a setup; its plan is that of the signed sheet."""

    name = forms.CharField(
        max_length=80,
        help_text="What tells it from the model's other setups: “Six channels and a subwoofer”.",
        error_messages={"required": "Give the setup a name."},
    )
    note = forms.CharField(
        required=False,
        max_length=4000,
        label="Note for the next technician",
        widget=forms.Textarea({"rows": 4, "data-span": "all"}),
    )


class WithdrawForm(forms.Form):
    """Why a setup is withdrawn."""

    reason = forms.CharField(
        max_length=500,
        label="Why it is withdrawn",
        help_text="The reason stays with the setup.",
        error_messages={"required": "Say why the setup is withdrawn."},
    )


TAKE = "take"


class Choices:
    """A decision for each open item: as posted, at first taken where the job has nothing yet.

    `all` in what is posted names a group of which everything is to be taken.
    """

    def __init__(self, comparison: Comparison, data: Any = None) -> None:
        self.comparison = comparison
        self.data = data

    def taken(self, item: Item) -> bool:
        """Whether an item is to be taken over."""
        if self.data is not None:
            if item.group == self.data.get("all"):
                return True
            return bool(self.data.get(item.key) == TAKE)
        return item.taken_by_default

    @property
    def keys(self) -> set[str]:
        """Keys of the items to be taken over."""
        return {item.key for item in self.comparison.open_items if self.taken(item)}
