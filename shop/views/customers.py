"""Customers: the list, a new one, a changed one."""

from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.utils.translation import gettext

from shop.access import allow
from shop.forms.people import CustomerForm
from shop.http import Request
from shop.models import Customer
from shop.paging import page_of
from shop.roles import DESK
from shop.typed import line
from shop.views.saving import form_page


def _page(customer: Customer) -> str:
    return reverse("customer", args=[customer.pk])


@allow(*DESK)
def customer_list(request: Request) -> HttpResponse:
    """Customers by name; `q` narrows by name, phone or email."""
    text = line(request.GET.get("q"))
    customers = Customer.objects.listed(text)
    page = page_of(request, customers)
    new_url = f"{reverse('customer_create')}?{urlencode({'name': text})}"
    context = {"page": page, "q": text, "new_url": new_url}
    return render(request, "customers/list.html", context)


@allow(*DESK)
def customer_create(request: Request) -> HttpResponse:
    """A new customer."""
    form = CustomerForm(request.POST or None, initial={"name": request.GET.get("name", "")})
    return form_page(
        request,
        form,
        notice=gettext("{} is in the book."),
        to=_page,
        title=gettext("New customer"),
        save_label=gettext("Save customer"),
        back_url=reverse("customer_list"),
        back_label=gettext("Customers"),
    )


@allow(*DESK)
def customer_edit(request: Request, pk: int) -> HttpResponse:
    """Change a customer."""
    customer = get_object_or_404(Customer, pk=pk)
    return form_page(
        request,
        CustomerForm(request.POST or None, instance=customer),
        notice=gettext("{} is saved."),
        to=_page,
        title=gettext("Change %(customer)s") % {"customer": customer.name},
        save_label=gettext("Save customer"),
        back_url=_page(customer),
        back_label=customer.name,
    )
