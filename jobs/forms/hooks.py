"""The form of an address of another program that is told what happened."""

from typing import Any

from django import forms
from django.utils.translation import gettext

from jobs.models import News
from shop import branches
from shop.forms.proof import ProofForm
from shop.models import Branch


class HookForm(ProofForm):
    """Which program, where, what it is told, where there are several branches of which one, and the
    proof that it is the manager. Nobody has more told than of the branches they work in."""

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

    branch = forms.ModelChoiceField(
        Branch.objects.none(),
        label="Of which branch",
        error_messages={"required": "Choose a branch."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        reach = branches.here()
        branch = self.fields["branch"]
        assert isinstance(branch, forms.ModelChoiceField)
        if reach is None:
            del self.fields["branch"]
            return
        branch.queryset = Branch.objects.filter(pk__in=reach.own_keys)
        branch.required = not reach.whole
        branch.empty_label = gettext("The whole business") if reach.whole else None
