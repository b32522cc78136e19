"""The label sheets the shop prints on."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.translation import gettext

from shop.access import allow
from shop.forms.labels import LabelSheetForm
from shop.http import Request
from shop.models import LabelSheet
from shop.roles import Role
from shop.views.saving import form_page


@allow(Role.MANAGER, password=True)
def label_sheet_list(request: Request) -> HttpResponse:
    """Every sheet, those in use first."""
    sheets = LabelSheet.objects.order_by("-active", "name")
    return render(request, "settings/label_sheets.html", {"sheets": sheets})


def _sheet_page(request: Request, sheet: LabelSheet, **context: Any) -> HttpResponse:
    return form_page(
        request,
        LabelSheetForm(request.POST or None, instance=sheet),
        notice=gettext("{} is saved."),
        to="label_sheet_list",
        save_label=gettext("Save label sheet"),
        back_url=reverse("label_sheet_list"),
        back_label=gettext("Label sheets"),
        **context,
    )


@allow(Role.MANAGER, password=True)
def label_sheet_create(request: Request) -> HttpResponse:
    """A new sheet."""
    return _sheet_page(request, LabelSheet(), title=gettext("New label sheet"))


@allow(Role.MANAGER, password=True)
def label_sheet_edit(request: Request, pk: int) -> HttpResponse:
    """Change a sheet."""
    sheet = get_object_or_404(LabelSheet, pk=pk)
    return _sheet_page(request, sheet, title=gettext("Change %(sheet)s") % {"sheet": sheet})
