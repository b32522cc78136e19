"""How every form is drawn."""

from django.forms.renderers import TemplatesSetting


class ShopFormRenderer(TemplatesSetting):
    """Django's form renderer with our templates."""

    form_template_name = "forms/default.html"
    field_template_name = "forms/field.html"
