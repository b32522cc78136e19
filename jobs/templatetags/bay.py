"""Drawing of cells, icons and colours on the bay sheet."""

import uuid
from collections.abc import Iterable
from functools import cache
from typing import Any, Final

from django import forms, template
from django.templatetags.static import static
from django.utils.html import conditional_escape, format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import get_language, gettext

from jobs import wording
from jobs.forms.bay.cells import CellRow, NumberField
from jobs.forms.bay.sections import Line
from jobs.plan.power import colours, finding_id
from jobs.symbols import with_symbols
from shop.kept_words import told

register = template.Library()


@cache
def _icon(name: str, sprite: str) -> SafeString:
    return format_html(
        '<svg class="icon" aria-hidden="true"><use href="{}#{}"></use></svg>', sprite, name
    )


@register.simple_tag
def icon(name: str) -> SafeString:
    """An icon of the sprite, said by the words beside it."""
    return _icon(name, static("img/icons.svg"))


register.filter("passive_line", wording.passive)
register.filter("pin_function", wording.function_said)


@register.filter
def finding_anchor(fingerprint: str) -> str:
    """Where a finding stands on the page of findings."""
    return f"f-{finding_id(fingerprint)}"


@register.simple_tag
def form_key() -> SafeString:
    """A key for a form that adds something, so that sending it twice adds it once."""
    return format_html('<input type="hidden" name="key" value="{}">', uuid.uuid4())


def _attributes(given: dict[str, Any]) -> SafeString:
    """Attributes, escaped; None and False are left out. As `flatatt`, for cells by the hundred."""
    return SafeString(
        "".join(
            f" {name}" if value is True else f' {name}="{conditional_escape(value)}"'
            for name, value in given.items()
            if value is not None and value is not False
        )
    )


def _options(choices: Any, chosen: str) -> SafeString:
    """Options without what HTML lets one leave out: a row is sent with every edit."""
    parts = []
    for value, label in choices:
        if isinstance(label, list | tuple):
            group = '<optgroup label="{}">{}</optgroup>'
            parts.append(format_html(group, told(value), _options(label, chosen)))
            continue
        text, said = "" if value is None else str(value), told(label)
        attrs = {"value": None if text == said else text, "selected": text == chosen}
        parts.append(format_html("<option{}>{}", _attributes(attrs), said))
    return format_html_join("", "{}", ((part,) for part in parts))


def _drawn_options(field: forms.ChoiceField, chosen: str) -> SafeString:
    """The options of a field, kept on it by language: most fields live as long as the server.

    A value that is not among the choices (any more) stays as an option of its own.
    """
    by_language = field.__dict__.setdefault("drawn_options", {})
    kept: dict[str, SafeString] = by_language.setdefault(get_language(), {})
    if chosen not in kept:
        assert not callable(field.choices)
        choices: list[Any] = list(field.choices)
        if chosen not in _flat(choices):
            choices.insert(0, (chosen, chosen))
        kept[chosen] = _options(choices, chosen)
    return kept[chosen]


def _control(row: CellRow, name: str, attrs: dict[str, Any]) -> SafeString:
    """The control of one cell, with `attrs` and those of its kind; a tick as its box alone."""
    field = row.fields[name]
    value = row.value(name)
    text = "" if value is None else str(value)
    attrs = {"name": name, **attrs}
    if name in row.errors:
        attrs |= {"aria-invalid": "true", "aria-describedby": _error_id(row, name)}
    if isinstance(field, forms.BooleanField):
        attrs |= {"type": "checkbox", "value": "true", "checked": value in (True, "true")}
        return format_html("<input{}>", _attributes(attrs))
    if isinstance(field, forms.ChoiceField):
        return format_html("<select{}>{}</select>", _attributes(attrs), _drawn_options(field, text))
    if isinstance(field.widget, forms.Textarea):
        return format_html('<textarea rows="2"{}>{}</textarea>', _attributes(attrs), text)
    attrs |= {"value": text, "autocomplete": "off", "list": field.widget.attrs.get("list")}
    if isinstance(field, NumberField):
        attrs["inputmode"] = "decimal"
    else:
        attrs["maxlength"] = getattr(field, "max_length", None)
        attrs["placeholder"] = gettext("Note") if name.endswith("note") else None
    return format_html("<input{}>", _attributes(attrs))


def _flat(choices: Any) -> set[str]:
    names: set[str] = set()
    for value, label in choices:
        if isinstance(label, list | tuple):
            names |= _flat(label)
        else:
            names.add("" if value is None else str(value))
    return names


def _error_id(row: CellRow, name: str) -> str:
    return f"err-{row.row._meta.model_name}-{row.row.pk or 0}-{name}"


def _error(row: CellRow, name: str) -> SafeString:
    shown = '<p class="error" id="{}">{}</p>'
    return format_html(shown, _error_id(row, name), told(row.errors[name]))


MOST_KEPT_OF_A_FIELD: Final = 512


@register.simple_tag
def cell(row: CellRow, name: str, label: str = "", css: str = "") -> SafeString:
    """The control of one cell, named for screen readers by its column and row."""
    if name in row.errors:
        return format_html("{}{}", _cell(row, name, label, css), _error(row, name))
    # Most fields live as long as the server, and keep with them how they were drawn.
    value = row.value(name)
    kept: dict[Any, SafeString] = row.fields[name].__dict__.setdefault("drawn_cells", {})
    shown = (name, type(value), str(value), row.name, label, css, get_language())
    if (html := kept.get(shown)) is None:
        if len(kept) >= MOST_KEPT_OF_A_FIELD:
            kept.clear()
        html = kept[shown] = _cell(row, name, label, css)
    return html


def _cell(row: CellRow, name: str, label: str, css: str) -> SafeString:
    field = row.fields[name]
    said = f"{told(label or field.label)}, {told(row.name)}"
    control = _control(row, name, {"aria-label": said, "class": css or None})
    if isinstance(field, forms.BooleanField):
        control = format_html('<label class="cell-tick">{}</label>', control)
    return control


@register.simple_tag
def cell_field(
    row: CellRow, name: str, label: str = "", unit: str = "", css: str = ""
) -> SafeString:
    """The control of one cell with its label above it and its unit behind it, outside a grid."""
    field = row.fields[name]
    ident = f"c-{row.row._meta.model_name}-{row.row.pk or 0}-{name}"
    shown = told(label or field.label)
    control = _control(row, name, {"id": ident})
    if isinstance(field, forms.BooleanField):
        tick = '<label class="check" for="{}">{}<span>{}</span></label>'
        body = format_html(tick, ident, control, shown)
    else:
        unit = told(unit or getattr(field, "unit", ""))
        tail = format_html('<span class="unit" aria-hidden="true">{}</span>', unit) if unit else ""
        labelled = '<label for="{}">{}</label><div class="control">{}{}</div>'
        body = format_html(labelled, ident, shown, control, tail)
    error = _error(row, name) if name in row.errors else ""
    return format_html('<div class="field {}">{}{}</div>', css, body, error)


@register.simple_tag
def wire(base: str, stripe: str = "") -> SafeString:
    """A small drawing of a wire in its colours; its codes stand beside it as text."""
    if not base:
        return SafeString('<svg class="wire" viewBox="0 0 40 14" aria-hidden="true"></svg>')
    fill = colours.SWATCHES.get(base, "none")
    band = colours.SWATCHES.get("YE" if base == "GNYE" else stripe, "")
    stripes = (
        format_html(
            '<path d="M2 10.5L14 3.5M14 10.5L26 3.5M26 10.5L38 3.5" stroke="{}" stroke-width="3"/>',
            band,
        )
        if band
        else ""
    )
    return format_html(
        '<svg class="wire" viewBox="0 0 40 14" role="img" aria-label="{}">'
        '<rect x="1" y="2" width="38" height="10" rx="3" fill="{}"/>{}'
        '<rect x="1" y="2" width="38" height="10" rx="3" fill="none" stroke="currentColor"/></svg>',
        told(colours.describe(base, stripe)),
        fill,
        stripes,
    )


register.simple_tag(wording.colour_code, name="wire_code")
register.filter(wording.metal)


@register.filter
def size(text: str) -> str:
    """Text of the sums with sizes and units as they are written: 25 mm², 4 Ω."""
    return with_symbols(str(text))


@register.filter
def sizes(texts: Iterable[object]) -> str:
    """Texts of the sums in a row, each as `size`."""
    return "; ".join(with_symbols(str(one)) for one in texts)


@register.simple_tag
def section_cell(line: Line, name: str, label: str) -> SafeString:
    """One number of an equaliser section, as typed, with what is wrong with it."""
    error = line.errors.get(name, "")
    return format_html(
        '<input name="{}" value="{}" inputmode="decimal" autocomplete="off" aria-label="{}"{}>{}',
        name,
        line.values[name],
        gettext("%(label)s, section %(number)s") % {"label": told(label), "number": line.number},
        SafeString(' aria-invalid="true"') if error else "",
        format_html('<p class="error">{}</p>', error) if error else "",
    )
