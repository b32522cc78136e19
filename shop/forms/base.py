"""How every form is drawn, and what a form of a model is made from."""

from typing import Any

from django import forms
from django.forms.renderers import TemplatesSetting
from django.forms.utils import flatatt
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from shop.kept_words import told


class ShopFormRenderer(TemplatesSetting):
    """Django's form renderer with our templates."""

    form_template_name = "forms/default.html"
    field_template_name = "forms/field.html"


class ModelForm(forms.ModelForm):  # type: ignore[type-arg]  # generic in its stubs alone
    """A form that makes or changes one row.

    A browser ends each line of a text with two characters: a text that differs in that alone from
    what stands is what stands.
    """

    def clean(self) -> dict[str, Any]:
        super().clean()
        texts = {name: one for name, one in self.cleaned_data.items() if isinstance(one, str)}
        for name, text in texts.items():
            stands = self.initial.get(name)
            if isinstance(stands, str) and text.splitlines() == stands.splitlines():
                self.cleaned_data[name] = stands
        return self.cleaned_data


class LongSelect(forms.Select):
    """A list of hundreds of choices without groups, written in one go.

    Django draws each option by a template of its own: 600 time zones take half a page's time. Of
    such a list, only the choice of nothing is in words of ours.
    """

    def render(
        self, name: str, value: Any, attrs: dict[str, Any] | None = None, renderer: Any = None
    ) -> SafeString:
        chosen = self.format_value(value)
        options = format_html_join(
            "",
            '<option value="{}"{}>{}</option>',
            (
                (
                    key,
                    SafeString(" selected") if str(key) in chosen else "",
                    label if key else told(label),
                )
                for key, label in self.choices
            ),
        )
        given = flatatt(self.build_attrs({**self.attrs, "name": name}, attrs))
        return format_html("<select{}>{}</select>", given, options)
