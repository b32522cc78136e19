"""Photos in templates: those of a subject, without a query for each, and what is drawn on them."""

from django import template
from django.db.models import Model
from django.utils.safestring import SafeString

from jobs.models import Job, Photo
from jobs.photos.marks import marks_svg
from jobs.reads.photos import PhotoBook
from jobs.services.photos import KINDS

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
def photo_count(job: Job, subject: str) -> int:
    """How many photos of one subject there are."""
    return PhotoBook.of(job).how_many(subject)


@register.simple_tag
def photo_book(job: Job) -> PhotoBook:
    """All photos of the job."""
    return PhotoBook.of(job)


@register.simple_tag
def photo_marks(photo: Photo) -> SafeString:
    """The circles and arrows of a photo, to lie over it."""
    return marks_svg(photo)
