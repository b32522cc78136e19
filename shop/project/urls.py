"""Every URL of the product."""

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("shop.urls")),
    path("", include("jobs.urls")),
]
