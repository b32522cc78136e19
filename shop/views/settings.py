"""The shop's profile and assumptions, its staff and its bays."""

from typing import Any

from django.contrib import messages
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext

from shop import branches
from shop.access import allow
from shop.forms.people import StaffForm
from shop.forms.shop import BayForm, LogoForm, ShopForm, TaxRateForm
from shop.http import Request
from shop.models import Bay, Shop, ShopLogo, StaffMember, TaxRate
from shop.models.shop import tax_said
from shop.roles import Role
from shop.services import events, second_factor
from shop.services.branches import looked_at, of_bay, of_staff, put_in
from shop.services.people import save_staff
from shop.views.saving import form_page


@allow(Role.MANAGER, password=True)
def settings(request: Request) -> HttpResponse:
    """Profile, units, time zone and what the sums take for granted."""
    form = ShopForm(request.POST or None, instance=Shop.objects.current())
    return form_page(
        request,
        form,
        notice=gettext("The shop’s profile is saved."),
        to="settings",
        template="settings/shop.html",
        save=lambda: events.save(form.save(commit=False), request.user, only=list(form.fields)),
    )


@allow(Role.MANAGER, password=True)
def logo(request: Request) -> HttpResponse:
    """The picture at the head of papers: shown, put in place of the one there, or taken away."""
    held = ShopLogo.objects.first()
    if request.method == "POST" and request.POST.get("do") == "remove":
        if held is not None:
            events.delete(held, request.user)
        messages.success(request, gettext("Papers have no logo from now on."))
        return redirect("shop_logo")
    form = LogoForm(request.POST, request.FILES) if request.method == "POST" else LogoForm()
    if form.is_valid():
        row = held or ShopLogo()
        row.name, row.image = form.cleaned_data["logo"]
        events.save(row, request.user)
        messages.success(request, gettext("Papers carry this logo from now on."))
        return redirect("shop_logo")
    context = {"form": form, "held": held}
    return render(request, "settings/logo.html", context, status=422 if form.is_bound else 200)


@allow(Role.MANAGER, password=True)
def staff_list(request: Request) -> HttpResponse:
    """Everybody who works or worked here."""
    staff = second_factor.told_apart(
        StaffMember.objects.filter(branches.people()).order_by("-is_active", "name")
    )
    return render(request, "settings/staff.html", {"staff": staff})


def _staff_page(request: Request, person: StaffMember, **context: Any) -> HttpResponse:
    form = StaffForm(request.POST or None, instance=person, reach=request.branches)

    @transaction.atomic
    def save() -> StaffMember:
        assert isinstance(request.user, StaffMember)
        saved = save_staff(
            form.save(commit=False),
            password=form.cleaned_data.get("password", ""),
            pin=form.cleaned_data.get("pin", ""),
            by=request.user,
            keep=request.session.session_key or "",
        )
        if request.branches is not None:
            works = form.cleaned_data
            whole = works.get("whole_business", saved.whole_business)
            put_in(saved, list(works["branches"]), whole_business=whole, by=request.user)
        return saved

    return form_page(
        request,
        form,
        notice=gettext("{} is saved."),
        to="staff_list",
        save=save,
        save_label=gettext("Save staff member"),
        back_url=reverse("staff_list"),
        back_label=gettext("Staff"),
        **context,
    )


@allow(Role.MANAGER, password=True)
def staff_create(request: Request) -> HttpResponse:
    """A new staff member."""
    return _staff_page(request, StaffMember(), title=gettext("New staff member"))


@allow(Role.MANAGER, password=True, of=of_staff)
def staff_edit(request: Request, pk: int) -> HttpResponse:
    """Roles, sign-in and password of a staff member."""
    person = get_object_or_404(StaffMember, pk=pk)
    return _staff_page(
        request,
        person,
        title=gettext("Change %(person)s") % {"person": person.name},
        sign_ins_url=reverse("staff_sign_ins", args=[pk]),
        reset_url=(
            reverse("staff_second_factor_reset", args=[pk])
            if person != request.user and second_factor.has_one(person)
            else ""
        ),
        more_url=reverse("staff_hand_over", args=[pk]) if person.is_technician else "",
        more_label=gettext("Hand over their open jobs"),
    )


@allow(Role.MANAGER, password=True)
def tax_rate_list(request: Request) -> HttpResponse:
    """The rates of tax beside the usual one."""
    usual = tax_said(request.shop.tax_name, request.shop.tax_percent)
    context = {"rates": TaxRate.objects.all(), "usual_tax": usual}
    return render(request, "settings/tax_rates.html", context)


def _tax_rate_page(request: Request, rate: TaxRate, **context: Any) -> HttpResponse:
    return form_page(
        request,
        TaxRateForm(request.POST or None, instance=rate),
        notice=gettext("{} is saved."),
        to="tax_rate_list",
        save_label=gettext("Save rate"),
        back_url=reverse("tax_rate_list"),
        back_label=gettext("Tax rates"),
        **context,
    )


@allow(Role.MANAGER, password=True)
def tax_rate_create(request: Request) -> HttpResponse:
    """A new rate."""
    rate = TaxRate(name=request.shop.tax_name, order=TaxRate.objects.count())
    return _tax_rate_page(request, rate, title=gettext("New tax rate"))


@allow(Role.MANAGER, password=True)
def tax_rate_edit(request: Request, pk: int) -> HttpResponse:
    """Change a rate."""
    rate = get_object_or_404(TaxRate, pk=pk)
    return _tax_rate_page(request, rate, title=gettext("Change %(rate)s") % {"rate": rate})


@allow(Role.MANAGER, password=True)
def bay_list(request: Request) -> HttpResponse:
    """The bays in the order the board shows them."""
    return render(request, "settings/bays.html", {"bays": Bay.objects.filter(branches.shown())})


def _bay_page(request: Request, bay: Bay, **context: Any) -> HttpResponse:
    form = BayForm(request.POST or None, instance=bay)

    def save_new() -> Bay:
        there = {"branch": str(bay.branch)}
        new: Bay = form.save(commit=False)
        return events.save(new, request.user, after=there)

    return form_page(
        request,
        form,
        notice=gettext("{} is saved."),
        to="bay_list",
        save=None if bay.pk or request.branches is None else save_new,
        save_label=gettext("Save bay"),
        back_url=reverse("bay_list"),
        back_label=gettext("Bays"),
        **context,
    )


@allow(Role.MANAGER, password=True)
def bay_create(request: Request) -> HttpResponse:
    """A new bay."""
    return _bay_page(request, Bay(branch=looked_at(request)), title=gettext("New bay"))


@allow(Role.MANAGER, password=True, of=of_bay)
def bay_edit(request: Request, pk: int) -> HttpResponse:
    """Change a bay."""
    bay = get_object_or_404(Bay, pk=pk)
    return _bay_page(request, bay, title=gettext("Change %(bay)s") % {"bay": bay})
