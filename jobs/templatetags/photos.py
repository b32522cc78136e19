"""Photos in templates: those of a subject, without a query for each, and what is drawn on them."""

from urllib.parse import quote

from django import template
from django.db.models import Model
from django.utils.safestring import SafeString

from jobs.models import Job, Photo
from jobs.photos.marks import marks_svg
from jobs.reads.photos import PhotoBook
from jobs.services.photos import KINDS
from shop.drawn import address, drawn

register = template.Library()

KIND_OF = {model: kind for kind, model in KINDS.items()}


@register.filter
def photo_subject(row: Model) -> str:
    """How the photos of a row are called: channel:7."""
    return f"{KIND_OF[type(row)]}:{row.pk}"


@register.simple_tag
def photos_of(job: Job, subject: str) -> list[Photo]:
    """The photos of one subject; every strip of the page reads the same one query."""
    return PhotoBook.of(job).photos(subject)


@register.simple_tag
def photo_button(job: Job, subject: str, of: str, picture: bool = False) -> SafeString:
    """The way to the photos of one subject, with how many there are, and with `picture` the newest;
    nothing where there are none and none can be taken."""
    book = PhotoBook.of(job)
    newest = book.photos(subject)[-1:] if picture else []
    count = book.how_many(subject)
    if not count and not book.open:
        return SafeString("")
    return drawn(
        "photos/button.html",
        list_url=f"{address('photo_list', job.number)}?subject={quote(subject)}",
        thumbnail_url=address("photo_thumbnail", job.number, newest[0].pk) if newest else "",
        subject=subject,
        of=str(of),
        photos=count,
    )


@register.simple_tag
def photo_book(job: Job) -> PhotoBook:
    """All photos of the job."""
    return PhotoBook.of(job)


@register.simple_tag
def photo_marks(photo: Photo) -> SafeString:
    """The circles and arrows of a photo, to lie over it."""
    return marks_svg(photo)
