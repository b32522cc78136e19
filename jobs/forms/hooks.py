"""The form of an address of another program that is told what happened."""

from django import forms

from jobs.models import News
from shop.forms.proof import ProofForm


class HookForm(ProofForm):
    """Which program, where, what it is told, and the proof that it is the manager."""

    name = forms.CharField(
        label="Which program it is",
        max_length=60,
        widget=forms.TextInput({"autocomplete": "off"}),
    )
    address = forms.CharField(
        label="Its address",
        max_length=500,
        widget=forms.TextInput(
            {"type": "url", "autocomplete": "off", "spellcheck": "false", "data-span": "all"}
        ),
        help_text="As that program gives it: https://…",
    )
    news = forms.MultipleChoiceField(
        label="What it is told",
        choices=[one for one in News.choices if one[0] != News.TEST],
        widget=forms.CheckboxSelectMultiple({"class": "choices", "data-span": "all"}),
        help_text="Numbers and stages alone are sent; whose job it is, the program may ask for.",
        error_messages={"required": "Tick at least one thing that it is told."},
    )
