"""Every URL of the product."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("jobs.urls")),
    path("", include("shop.urls")),
]

handler400 = "shop.views.failures.bad_request"
handler403 = "shop.views.failures.forbidden"
handler404 = "shop.views.failures.not_found"
handler500 = "shop.views.failures.server_error"
