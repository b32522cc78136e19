"""Photos in templates: those of a subject, without a query for each, and what is drawn on them."""

from django import template
from django.utils.safestring import SafeString

from jobs.models import Job, Photo
from jobs.photo_book import PhotoBook
from jobs.photo_marks import marks_svg

register = template.Library()


@register.simple_tag
def photos_of(job: Job, subject: str) -> list[Photo]:
    """The photos of one subject; every strip of the page reads the same one query."""
    return PhotoBook.of(job).photos(subject)


@register.simple_tag
def photo_book(job: Job) -> PhotoBook:
    """All photos of the job."""
    return PhotoBook.of(job)


@register.simple_tag
def photo_marks(photo: Photo) -> SafeString:
    """The circles and arrows of a photo, to lie over it."""
    return marks_svg(photo)
