"""Pieces of a page that are drawn of facts alone (`shop.drawn`)."""

from django import template

from shop.drawn import drawn

register = template.Library()
register.simple_tag(drawn, name="piece")
