"""The estimate of a job: its lines, what the customer approved, what was paid.

Whether an estimate stands approved is never kept: it is what the newest approval says of the lines
as they are now. So whatever changes a line, its price or the tax asks for a new approval.
"""

import hashlib
import json
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any, Final, NamedTuple

from django.db import models, transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import (
    ApprovedBy,
    EstimateApproval,
    EstimateLine,
    Job,
    LineKind,
    Payment,
    PaymentKind,
)
from jobs.services.events import done_before, log
from jobs.services.lengths import usual_length
from jobs.services.saving import Saved, locked_job, save_row
from shop.models import Product, Shop, StaffMember
from shop.models.shop import tax_said
from shop.money import Totals, line_amount, plain, rounded, said, together, totals
from shop.services.events import subject_of

MOST_LINES: Final = 200


class Tax(NamedTuple):
    """A tax as it is said: what it is called and its rate. Two that are said alike are one."""

    name: str
    percent: Decimal

    @property
    def text(self) -> str:
        return tax_said(self.name, self.percent)


@dataclass(frozen=True)
class PricedLine:
    """A line with what it comes to, whether or not it is taken."""

    row: EstimateLine
    amount: Decimal
    tax: Tax

    @property
    def counts(self) -> bool:
        return self.row.taken


class Estimate:
    """The estimate of a job as it stands."""

    def __init__(self, job: Job, shop: Shop | None = None) -> None:
        self.job = job
        self.shop = shop or Shop.objects.current()
        self.currency = self.shop.currency

    @cached_property
    def usual_tax(self) -> Tax:
        return Tax(self.shop.tax_name, self.shop.tax_percent)

    @cached_property
    def lines(self) -> list[PricedLine]:
        return [self.priced(row) for row in self.job.estimate_lines.select_related("tax_rate")]

    def priced(self, row: EstimateLine) -> PricedLine:
        """A line with its amount and its tax, the usual one where it names none."""
        own = row.tax_rate
        return PricedLine(
            row,
            line_amount(row.quantity, row.price, self.currency),
            Tax(own.name, own.percent) if own else self.usual_tax,
        )

    @property
    def several_taxes(self) -> bool:
        """Whether a line, taken or left, carries another tax than the shop's usual one."""
        return any(line.tax != self.usual_tax for line in self.lines)

    @property
    def says_tax(self) -> bool:
        return self.several_taxes or bool(self.usual_tax.percent)

    @cached_property
    def taxes(self) -> list[tuple[Tax, Totals]]:
        """The sums of each tax that counts: the usual one first, then the highest."""
        amounts: dict[Tax, list[Decimal]] = {}
        for line in self.lines:
            if line.counts:
                amounts.setdefault(line.tax, []).append(line.amount)
        with_tax = self.shop.prices_with_tax
        return [
            (tax, totals(amounts[tax], tax.percent, self.currency, with_tax=with_tax))
            for tax in sorted(
                amounts, key=lambda tax: (tax != self.usual_tax, -tax.percent, tax.name)
            )
        ]

    @cached_property
    def totals(self) -> Totals:
        nothing = totals((), Decimal(0), self.currency, with_tax=False)
        return together([nothing, *(sums for _, sums in self.taxes)])

    @cached_property
    def document(self) -> dict[str, Any]:
        """Every line and the totals as JSON types; sums of money as text, so that none is lost.

        Format 1 says one tax for all lines. What was approved before there were others goes on
        saying so, to the letter: its digest is what the approval stands on.
        """
        if self.several_taxes:
            return self._document_of_taxes
        return {
            "format": 1,
            "currency": self.currency,
            "tax_name": self.shop.tax_name,
            "tax_percent": plain(self.shop.tax_percent),
            "prices_with_tax": self.shop.prices_with_tax,
            "lines": [_line_said(one) for one in self.lines],
            **_sums_said(self.totals),
        }

    @property
    def _document_of_taxes(self) -> dict[str, Any]:
        return {
            "format": 2,
            "currency": self.currency,
            "prices_with_tax": self.shop.prices_with_tax,
            "lines": [{**_line_said(one), **_tax_said(one.tax)} for one in self.lines],
            "taxes": [{**_tax_said(tax), **_sums_said(sums)} for tax, sums in self.taxes],
            **_sums_said(self.totals),
        }

    @cached_property
    def sha256(self) -> str:
        return sha256_of(self.document)

    @cached_property
    def newest(self) -> EstimateApproval | None:
        """What the customer approved last."""
        return self.job.estimate_approvals.select_related("by").first()

    @property
    def approved(self) -> bool:
        return self.newest is not None and self.newest.document_sha256 == self.sha256

    @property
    def state(self) -> str:
        """none, open, approved or changed."""
        if self.newest is None:
            return "open" if self.lines else "none"
        return "approved" if self.approved else "changed"

    @cached_property
    def payments(self) -> list[Payment]:
        return list(self.job.payments.select_related("by"))

    @property
    def paid(self) -> Decimal:
        return rounded(sum((one.amount for one in self.payments), Decimal(0)), self.currency)

    @property
    def due(self) -> Decimal:
        return self.totals.total - self.paid


def _line_said(line: PricedLine) -> dict[str, Any]:
    return {
        "kind": line.row.kind,
        "text": line.row.text,
        "quantity": plain(line.row.quantity),
        "price": plain(line.row.price),
        "optional": line.row.optional,
        "taken": line.row.taken,
        "amount": plain(line.amount),
    }


def _tax_said(tax: Tax) -> dict[str, str]:
    return {"tax_name": tax.name, "tax_percent": plain(tax.percent)}


def _sums_said(sums: Totals) -> dict[str, str]:
    return {"net": plain(sums.net), "tax": plain(sums.tax), "total": plain(sums.total)}


def sha256_of(document: dict[str, Any]) -> str:
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _next_order(job: Job) -> int:
    last = job.estimate_lines.aggregate(last=models.Max("order"))["last"]
    return 0 if last is None else last + 1


@transaction.atomic
def add_line(
    number: int, values: dict[str, Any], *, actor: StaffMember, key: str = ""
) -> EstimateLine | None:
    """Add a line; None when this key was saved already. Raises Refused when there are too many."""
    job = locked_job(number)
    if done_before(key):
        return None
    if job.estimate_lines.count() >= MOST_LINES:
        raise Refused(
            gettext("More than %(most)s lines: put several into one.") % {"most": MOST_LINES}
        )
    return _add(job, values, actor, key)


def _add(job: Job, values: dict[str, Any], actor: StaffMember, key: str = "") -> EstimateLine:
    if not values.get("optional"):
        values = {**values, "taken": True}
    line = EstimateLine.objects.create(job=job, order=_next_order(job), **values)
    log(
        job,
        actor,
        "estimate.added",
        subject=subject_of(line),
        after={"what": line.text, "quantity": plain(line.quantity), "price": plain(line.price)},
        key=key,
    )
    return line


@transaction.atomic
def fill(number: int, actor: StaffMember) -> int:
    """Add lines for the job's parts that have none yet, and for the usual hours where no labour
    stands; gives how many. A repeat adds nothing."""
    job = locked_job(number)
    shop = Shop.objects.current()
    stands = {line.product_id for line in job.estimate_lines.all()}
    wanted: dict[int, tuple[Product, int]] = {}
    for part in job.parts.select_related("product__tax_rate"):
        _, count = wanted.get(part.product_id, (part.product, 0))
        wanted[part.product_id] = (part.product, count + part.quantity)
    added = 0
    for product, count in wanted.values():
        if product.pk not in stands:
            price = product.price if product.price is not None else Decimal(0)
            facts = {"kind": LineKind.PART, "text": str(product), "product": product}
            facts["tax_rate"] = product.tax_rate
            _add(job, {**facts, "quantity": Decimal(count), "price": price}, actor)
            added += 1
    usual = usual_length(job.work_kind, job.vehicle.vehicle_model)
    if usual and not job.estimate_lines.filter(kind=LineKind.LABOUR).exists():
        facts = {"kind": LineKind.LABOUR, "text": str(job.work_kind)}
        hours = Decimal(usual.minutes) / 60
        price = shop.labour_price if shop.labour_price is not None else Decimal(0)
        _add(job, {**facts, "quantity": hours, "price": price}, actor)
        added += 1
    return added


@transaction.atomic
def change_line(
    number: int,
    pk: int,
    changes: dict[str, Any],
    *,
    actor: StaffMember,
    version: int,
    key: str = "",
) -> Saved:
    """Change a line. An option may be left; what is no option counts."""
    if changes.get("optional") is False:
        changes = {**changes, "taken": True}
    job = locked_job(number)
    return save_row(
        EstimateLine,
        pk,
        changes,
        number=number,
        actor=actor,
        version=version,
        key=key,
        code="estimate.changed",
        opens=lambda _: job,
    )


@transaction.atomic
def remove_line(number: int, pk: int, actor: StaffMember) -> None:
    """Take a line out; a repeat changes nothing."""
    job = locked_job(number)
    line = job.estimate_lines.filter(pk=pk).first()
    if line is None:
        return
    before = {"what": line.text, "quantity": plain(line.quantity), "price": plain(line.price)}
    log(job, actor, "estimate.removed", subject=subject_of(line), before=before)
    line.delete()


@transaction.atomic
def approve(
    number: int,
    sha256: str,
    how: str,
    *,
    name: str,
    actor: StaffMember,
    said_words: str = "",
    signature: str = "",
) -> EstimateApproval:
    """Keep that the customer approved the estimate that was shown, whose digest is `sha256`.

    A repeat of the very approval gives the one that stands. Raises Refused when it is empty, has
    no name, or a call without its words; ChangedMeanwhile when the estimate says something else.
    """
    job = locked_job(number)
    estimate = Estimate(job)
    name, said_words = name.strip(), said_words.strip()
    if not estimate.lines:
        raise Refused(gettext("There is nothing to approve yet: add the lines first."))
    if estimate.sha256 != sha256:
        raise ChangedMeanwhile(
            gettext(
                "The estimate was changed since it was shown: look it over, then approve it again."
            )
        )
    if not name:
        raise Refused(gettext("Write who approves it."))
    if how == ApprovedBy.CALL and not said_words:
        raise Refused(gettext("Write what was said on the phone: it is all the proof there is."))
    newest = estimate.newest
    if newest is not None and estimate.approved and (newest.how, newest.name) == (how, name):
        return newest
    approval = EstimateApproval.objects.create(
        job=job,
        number=newest.number + 1 if newest else 1,
        document=estimate.document,
        document_sha256=sha256,
        how=ApprovedBy(how),
        name=name,
        said=said_words if how == ApprovedBy.CALL else "",
        signature=signature if how == ApprovedBy.SIGNATURE else "",
        by=actor,
        at=timezone.now(),
    )
    after = {
        "by": name,
        "how": str(ApprovedBy(how).label),
        "total": said(estimate.totals.total, estimate.currency),
        "sha256": sha256,
        **({"said": said_words} if approval.said else {}),
    }
    log(job, actor, "estimate.approved", subject=subject_of(approval), after=after)
    return approval


@transaction.atomic
def note_payment(
    number: int, kind: str, amount: Decimal, how: str, *, actor: StaffMember, key: str = ""
) -> Payment | None:
    """Note money that changed hands; None when this key was noted already. Raises Refused."""
    job = locked_job(number)
    if done_before(key):
        return None
    shop = Shop.objects.current()
    amount = rounded(amount, shop.currency)
    if amount <= 0:
        raise Refused(
            gettext("Give an amount above nought; what was paid back has a kind of its own.")
        )
    if kind == PaymentKind.BACK:
        amount = -amount
    payment = Payment.objects.create(
        job=job,
        kind=PaymentKind(kind),
        amount=amount,
        currency=shop.currency,
        how=how.strip(),
        by=actor,
        at=timezone.now(),
    )
    after = {"kind": str(payment), "amount": said(amount, shop.currency), "how": payment.how}
    log(job, actor, "payment.noted", subject=subject_of(payment), after=after, key=key)
    return payment
