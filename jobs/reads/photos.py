"""A job's photos as its pages show them: read once, by what they show, each subject in words."""

from collections import defaultdict
from collections.abc import Iterable
from functools import cached_property
from typing import Any, Final, NamedTuple

from jobs.lists.car_places import nearest
from jobs.models import ConditionMark, Job, Photo
from jobs.services.photos import KINDS
from shop.prepared import PreparedObjects
from shop.typed import row_keys

_TITLES = {"job": "The job", "check_in": "On arrival"}
_RELATED = {"channel": ("part",), "part": ("product",)}

_kept: Final = PreparedObjects(
    lambda job: Photo.objects.kept().filter(job=job).select_related("by")
)


class Group(NamedTuple):
    """The photos of one subject."""

    subject: str
    title: str
    photos: list[Photo]


class PhotoBook:
    """The kept photos of one job; one query, whatever the number of subjects asked for."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.open = job.takes_changes

    @classmethod
    def of(cls, job: Job) -> "PhotoBook":
        """The book of this job object: the strips of a page share it."""
        held: PhotoBook | None = job.__dict__.get("_photo_book")
        if held is None:
            held = job.__dict__["_photo_book"] = cls(job)
        return held

    @cached_property
    def by_subject(self) -> dict[str, list[Photo]]:
        photos: dict[str, list[Photo]] = defaultdict(list)
        for photo in _kept(self.job.pk):
            photo.job = self.job
            photos[photo.subject].append(photo)
        return dict(photos)

    def photos(self, subject: str) -> list[Photo]:
        return self.by_subject.get(subject, [])

    @property
    def count(self) -> int:
        return sum(map(len, self.by_subject.values()))

    def groups(self) -> list[Group]:
        """Every subject with its photos, the job's own first."""
        titles = subject_titles(self.job, self.by_subject)
        order = sorted(self.by_subject, key=lambda subject: (subject not in _TITLES, subject))
        return [Group(subject, titles[subject], self.by_subject[subject]) for subject in order]


def subject_titles(job: Job, subjects: Iterable[str]) -> dict[str, str]:
    """Subjects in words, one query a kind: "Channel A1.3", "Step: refit the trim"."""
    keys: dict[str, set[str]] = defaultdict(set)
    for subject in subjects:
        kind, _, key = subject.partition(":")
        keys[kind].add(key)
    titles: dict[str, str] = {}
    for kind, wanted in keys.items():
        if kind in _TITLES:
            titles[kind] = _TITLES[kind]
        elif kind == "mark":
            titles |= _marks(job, wanted)
        else:
            titles |= _rows(job, kind, wanted)
    return titles


def _marks(job: Job, keys: set[str]) -> dict[str, str]:
    rows = ConditionMark.objects.filter(check_in__job=job, key__in=keys)
    marks = {
        f"mark:{row.key}": f"{row.get_kind_display()}: {nearest(row.x, row.y).label.lower()}"
        for row in rows
    }
    return {f"mark:{key}": marks.get(f"mark:{key}", "A mark on the car") for key in keys}


def _rows(job: Job, kind: str, keys: set[str]) -> dict[str, str]:
    rows: Any = KINDS[kind]._default_manager.filter(job=job, pk__in=row_keys(keys))
    called = {str(row.pk): str(row) for row in rows.select_related(*_RELATED.get(kind, ()))}
    word = f"{kind.capitalize()}{':' if kind in {'step', 'function'} else ''}"
    return {f"{kind}:{key}": f"{word} {called.get(key, 'that was removed')}" for key in keys}
