"""How every form is drawn, and what a form of a model is made from."""

from django import forms
from django.forms.renderers import TemplatesSetting


class ShopFormRenderer(TemplatesSetting):
    """Django's form renderer with our templates."""

    form_template_name = "forms/default.html"
    field_template_name = "forms/field.html"


class ModelForm(forms.ModelForm):  # type: ignore[type-arg]  # generic in its stubs alone
    """A form that makes or changes one row."""
