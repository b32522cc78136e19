"""URLs of a job's life."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
