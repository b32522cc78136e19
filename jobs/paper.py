"""Papers of the counter as PDF: plain pages in the shop's own words, computed by nobody here.

What the customer gets is in the customer's language, what stays here in that of who prints it."""

from functools import cache
from typing import Any, Final

import segno
from django.template.loader import render_to_string
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language, gettext, gettext_noop as kept

from jobs.lists.car_places import nearest
from jobs.models import Job
from jobs.services.check_in import check_in_of
from jobs.services.desk import desk_of
from jobs.services.estimates import Estimate
from shop.languages import ENGLISH, first_of, speaking
from shop.lazy import Lazy
from shop.models import Shop, ShopLogo
from shop.money import ROUNDING_SAID
from shop.wording import page_words

renderer = Lazy("jobs.renderer")

_CSS: Final = """
@page { size: %s; margin: 18mm 16mm; @bottom-right { content: counter(page) "%s" counter(pages);
  font: 8pt Paper } }
html { font: 10pt/1.4 Paper; color: #000 }
h1 { font-size: 16pt; margin: 0 0 2mm } h2 { font-size: 11pt; margin: 6mm 0 1mm }
p { margin: 0 0 2mm } table { width: 100%%; border-collapse: collapse; margin: 3mm 0 }
th, td { text-align: left; vertical-align: top; padding: 1.2mm 2mm;
  border-bottom: 0.2mm solid #999 }
.n { text-align: right; white-space: nowrap } .soft { color: #444; font-size: 8.5pt }
.sum th, .sum td { border: 0; padding: 0.5mm 2mm } .total { font-weight: 700; font-size: 12pt }
.sign { height: 18mm; border-bottom: 0.3mm solid #000; margin-top: 8mm } .sign img { height: 17mm }
.head { display: flex; justify-content: space-between }
.shop-logo { max-width: 55mm; max-height: 16mm } .left { text-decoration: line-through }
.big { font-size: 26pt; font-weight: 700; margin: 2mm 0 } .box { display: inline-block; width: 4mm;
  height: 4mm; border: 0.3mm solid #000 } .code svg { width: 32mm; height: 32mm }
"""


@cache
def _style(size: str, between: str) -> Any:
    return renderer.style(renderer.faces("Paper", "Regular", "Bold") + _CSS % (size, between))


def paper(template: str, shop: Shop, values: dict[str, Any]) -> bytes:
    """A page of our own as PDF. No file or address is fetched."""
    html = render_to_string(template, {"shop": shop, "logo": ShopLogo.shown(), **values})
    style = _style(shop.paper_size, page_words()[1])
    made: bytes = renderer.pdf(renderer.page(html), [style], variant="pdf/a-3a")
    return made


def estimate_pdf(estimate: Estimate) -> bytes:
    """The estimate as it stands, with the approval that is of it."""
    values: dict[str, Any] = {
        "job": estimate.job,
        "estimate": estimate,
        "document": estimate.document,
        "currency": estimate.currency,
        "approval": estimate.newest if estimate.approved else None,
        "rounding": ROUNDING_SAID,
    }
    with speaking(first_of(estimate.job.customer, estimate.shop)):
        return paper("pdf/estimate.html", estimate.job.shop_there(estimate.shop), values)


PAPERS: Final = {
    "receipt": kept("Hand-in receipt"),
    "card": kept("Job card"),
    "picks": kept("Pick list"),
}
"""Papers of the counter beside the estimate, by the name in their address."""


def counter_paper(job: Job, name: str, address: str) -> bytes:
    """One of PAPERS; `address` is that of the job's page, for the code on the card."""
    shop = Shop.objects.current()
    check_in = check_in_of(job)
    marks = check_in.marks.all() if check_in else []
    values = {
        "job": job,
        "check_in": check_in,
        "marks": [(mark, nearest(mark.x, mark.y).label) for mark in marks],
        "keys_at": desk_of(job).keys_at or (check_in.keys_note if check_in else ""),
        "parts": job.parts.select_related("product", "supply"),
        "code": _code(address) if name == "card" else "",
    }
    to_customer = name == "receipt"
    with speaking(first_of(job.customer, shop) if to_customer else get_language() or ENGLISH):
        return paper(
            f"pdf/{name}.html", job.shop_there(shop), {**values, "title": gettext(PAPERS[name])}
        )


def _code(address: str) -> SafeString:
    drawn = segno.make(address, error="m", micro=False)
    return mark_safe(drawn.svg_inline(scale=4, border=2))
