"""Taking a product out of the catalogue, which the jobs that use it may forbid."""

from django.contrib import messages
from django.db.models.deletion import ProtectedError
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.models import Job
from shop.access import allow
from shop.http import Request
from shop.models import Product
from shop.roles import Role
from shop.services import events
from shop.services.products import remove_product

MOST_NAMED = 5


@allow(Role.MANAGER)
def product_remove(request: Request, pk: int) -> HttpResponse:
    """Ask, then delete a product no job uses; one in use can be discontinued instead."""
    product = get_object_or_404(Product, pk=pk)
    status = 200
    if request.method == "POST":
        if request.POST.get("instead") == "discontinue":
            product.discontinued = True
            events.save(product, request.user, only=["discontinued"])
            messages.success(
                request,
                gettext("%(product)s is discontinued: not offered for new jobs.")
                % {"product": product},
            )
            return redirect("product", product.pk)
        try:
            remove_product(product, request.user)
        except ProtectedError:
            status = 409
        else:
            messages.success(request, gettext("%(product)s is deleted.") % {"product": product})
            return redirect("product_list")
    using = Job.objects.filter(parts__product_id=pk).distinct().order_by("-number")
    context = {"product": product, "jobs": using[:MOST_NAMED], "count": using.count()}
    return render(request, "catalogue/remove.html", context, status=status)
