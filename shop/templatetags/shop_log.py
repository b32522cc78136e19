"""Where a record's changes are read."""

from django import template

from shop.reads.events import log_url

register = template.Library()
register.filter("log_url", log_url)
