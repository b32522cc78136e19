"""Drawing of cells, icons and colours on the bay sheet: plain strings, for they are many."""

import uuid
from functools import cache
from typing import Any

from django import forms, template
from django.templatetags.static import static
from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString, mark_safe

from jobs import wording
from jobs.forms.bay.cells import CellRow, NumberField
from jobs.forms.bay.sections import Line
from jobs.plan.power import colours, finding_id
from jobs.symbols import with_symbols

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


@register.filter
def finding_anchor(fingerprint: str) -> str:
    """Where a finding stands on the page of findings."""
    return f"f-{finding_id(fingerprint)}"


@register.simple_tag
def form_key() -> SafeString:
    """A key for a form that adds something, so that sending it twice adds it once."""
    return format_html('<input type="hidden" name="key" value="{}">', uuid.uuid4())


def _escape(value: Any) -> str:
    return str(conditional_escape(value))


def _options(choices: Any, chosen: str) -> str:
    """Options without what HTML lets one leave out: a row is sent with every edit."""
    parts = []
    for value, label in choices:
        if isinstance(label, list | tuple):
            parts.append(f'<optgroup label="{_escape(value)}">{_options(label, chosen)}</optgroup>')
            continue
        text = "" if value is None else str(value)
        given = "" if text == str(label) else f' value="{_escape(text)}"'
        parts.append(f"<option{given}{' selected' if text == chosen else ''}>{_escape(label)}")
    return "".join(parts)


def _drawn_options(field: forms.ChoiceField, chosen: str) -> str:
    """The options of a field, kept on it: most fields live as long as the server.

    A value that is not among the choices (any more) stays as an option of its own.
    """
    kept: dict[str, str] = field.__dict__.setdefault("drawn_options", {})
    if chosen not in kept:
        assert not callable(field.choices)
        choices: list[Any] = list(field.choices)
        if chosen not in _flat(choices):
            choices.insert(0, (chosen, chosen))
        kept[chosen] = _options(choices, chosen)
    return kept[chosen]


def _control(row: CellRow, name: str, label: str, css: str, ident: str) -> str:
    field = row.fields[name]
    value = row.value(name)
    shared = f' name="{name}" aria-label="{_escape(label)}, {_escape(row.name)}"'
    if ident:
        shared = f' name="{name}" id="{ident}"'
    if css:
        shared += f' class="{css}"'
    if name in row.errors:
        shared += f' aria-invalid="true" aria-describedby="{_error_id(row, name)}"'
    if isinstance(field, forms.BooleanField):
        ticked = " checked" if value in (True, "true") else ""
        box = f'<input type="checkbox" value="true"{ticked}{shared}>'
        return box if ident else f'<label class="cell-tick">{box}</label>'
    text = "" if value is None else str(value)
    if isinstance(field, forms.ChoiceField):
        return f"<select{shared}>{_drawn_options(field, text)}</select>"
    if isinstance(field, NumberField):
        return f'<input inputmode="decimal" autocomplete="off" value="{_escape(text)}"{shared}>'
    if isinstance(field.widget, forms.Textarea):
        return f'<textarea rows="2"{shared}>{_escape(text)}</textarea>'
    if name.endswith("note"):
        shared += ' placeholder="Note"'
    most = getattr(field, "max_length", None)
    length = f' maxlength="{most}"' if most else ""
    return f'<input autocomplete="off" value="{_escape(text)}"{length}{shared}>'


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


@register.simple_tag
def cell(row: CellRow, name: str, label: str = "", css: str = "") -> SafeString:
    """The control of one cell, named for screen readers by its column and row."""
    shown = label or str(row.fields[name].label)
    html = _control(row, name, shown, css, "")
    if name in row.errors:
        html += f'<p class="error" id="{_error_id(row, name)}">{_escape(row.errors[name])}</p>'
    return mark_safe(html)


@register.simple_tag
def cell_field(
    row: CellRow, name: str, label: str = "", unit: str = "", css: str = ""
) -> SafeString:
    """The control of one cell with its label above it and its unit behind it, outside a grid."""
    field = row.fields[name]
    ident = f"c-{row.row._meta.model_name}-{row.row.pk or 0}-{name}"
    shown = _escape(label or field.label)
    control = _control(row, name, shown, "", ident)
    error = ""
    if name in row.errors:
        error = f'<p class="error" id="{_error_id(row, name)}">{_escape(row.errors[name])}</p>'
    if isinstance(field, forms.BooleanField):
        body = f'<label class="check" for="{ident}">{control}<span>{shown}</span></label>'
    else:
        unit = unit or getattr(field, "unit", "")
        tail = f'<span class="unit" aria-hidden="true">{_escape(unit)}</span>' if unit else ""
        body = f'<label for="{ident}">{shown}</label><div class="control">{control}{tail}</div>'
    return mark_safe(f'<div class="field {css}">{body}{error}</div>')


@register.simple_tag
def wire(base: str, stripe: str = "") -> SafeString:
    """A small drawing of a wire in its colours; its codes stand beside it as text."""
    if not base:
        return mark_safe('<svg class="wire" viewBox="0 0 40 14" aria-hidden="true"></svg>')
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
        colours.describe(base, stripe),
        fill,
        stripes,
    )


register.simple_tag(wording.colour_code, name="wire_code")
register.filter(wording.metal)


@register.filter
def size(text: str) -> str:
    """Text of the sums with sizes and units as they are written: 25 mm², 4 Ω."""
    return with_symbols(str(text))


@register.simple_tag
def section_cell(line: Line, name: str, label: str) -> SafeString:
    """One number of an equaliser section, as typed, with what is wrong with it."""
    error = line.errors.get(name, "")
    return format_html(
        '<input name="{}" value="{}" inputmode="decimal" autocomplete="off" '
        'aria-label="{}, section {}"{}>{}',
        name,
        line.values[name],
        label,
        line.number,
        mark_safe(' aria-invalid="true"') if error else "",
        format_html('<p class="error">{}</p>', error) if error else "",
    )
