"""URLs of people, vehicles, catalogue and settings."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
