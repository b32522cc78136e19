"""The shop's measuring microphones and their calibrations."""

from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.translation import gettext

from jobs.forms.tuning.microphones import MicrophoneForm
from jobs.models import Microphone
from shop.access import allow
from shop.http import Request
from shop.roles import Role
from shop.views.saving import form_page


def _page(request: Request, microphone: Microphone, title: str) -> HttpResponse:
    form = MicrophoneForm(request.POST or None, request.FILES or None, instance=microphone)
    return form_page(
        request,
        form,
        notice="{} is saved.",
        to="target_list",
        title=title,
        save_label=gettext("Save microphone"),
        back_url=reverse("target_list"),
        back_label="Tuning",
    )


@allow(Role.MANAGER, password=True)
def microphone_create(request: Request) -> HttpResponse:
    """A new microphone."""
    return _page(request, Microphone(), "New microphone")


@allow(Role.MANAGER, password=True)
def microphone_edit(request: Request, pk: int) -> HttpResponse:
    """Change a microphone; recordings keep the calibration they were heard with."""
    microphone = get_object_or_404(Microphone, pk=pk)
    return _page(request, microphone, gettext("Change %(name)s") % {"name": microphone.name})
