"""A staff member who leaves hands over."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs import wording
from jobs.errors import Refused
from jobs.services.staff import hand_over, open_jobs_of
from shop import branches
from shop.access import allow
from shop.http import Request
from shop.models import StaffMember
from shop.roles import Role
from shop.services.branches import of_staff


class HandOverForm(forms.Form):
    """Who takes the jobs."""

    to = forms.ModelChoiceField(
        StaffMember.objects.none(),
        required=False,
        label="Their open jobs go to",
        empty_label="Nobody yet",
        error_messages={"invalid_choice": "Choose a technician who may sign in."},
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        to = self.fields["to"]
        assert isinstance(to, forms.ModelChoiceField)
        to.queryset = StaffMember.objects.filter(branches.technicians(everywhere=True))


@allow(Role.MANAGER, password=True, of=of_staff)
def staff_hand_over(request: Request, pk: int) -> HttpResponse:
    """All open jobs of a person to another, and their clock stopped, in one step."""
    person = get_object_or_404(StaffMember, pk=pk)
    form = HandOverForm(request.POST or None)
    refused: list[str] = []
    if request.method == "POST":
        form = HandOverForm(request.POST)
        if form.is_valid():
            try:
                done = hand_over(person, form.cleaned_data["to"], request.user)
            except Refused as error:
                refused = error.reasons
            else:
                clocks = " Their clock is stopped." if done.stopped else ""
                jobs = wording.plural(len(done.jobs), "job is", "jobs are")
                messages.success(
                    request,
                    gettext("%(jobs)s handed over.%(clocks)s") % {"jobs": jobs, "clocks": clocks},
                )
                for one in done.doubts:
                    messages.warning(request, one)
                return redirect("staff_edit", pk)
        else:
            refused = [str(one) for one in form.errors.get("to", ())]
    context = {
        "person": person,
        "form": form,
        "jobs": open_jobs_of(person),
        "running": person.time_entries.running().with_names(),
        "refused": refused,
    }
    return render(request, "settings/hand_over.html", context, status=422 if refused else 200)
