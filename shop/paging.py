"""Pages of long lists."""

from functools import cached_property
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest

PER_PAGE = 40
MOST_COUNTED = 10_000


class CappedPaginator(Paginator):  # type: ignore[type-arg]  # generic in its stubs alone
    """Counts no further than MOST_COUNTED rows, so that a long list opens at once."""

    @cached_property
    def count(self) -> int:
        rows = self.object_list
        assert isinstance(rows, QuerySet)
        return rows[:MOST_COUNTED].count()


def page_of(request: HttpRequest, queryset: Any) -> "Page[Any]":
    """The page the address asks for, the nearest one when it asks for nonsense.

    `query` on the page is the rest of the address, for the links to other pages.
    """
    page = CappedPaginator(queryset, PER_PAGE).get_page(request.GET.get("page"))
    others = request.GET.copy()
    others.pop("page", None)
    vars(page)["query"] = others.urlencode()
    return page
