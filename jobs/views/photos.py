"""Photos of a job: taken, looked at, drawn on, removed. Their files go to signed-in staff only."""

import json
from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import NoReverseMatch, reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from jobs.errors import Busy, Refused
from jobs.models import Job, Photo
from jobs.reads.photos import PhotoBook, subject_titles
from jobs.services.photos import add_photo, change_photo, is_subject, remove_photo
from jobs.sheet.photos import printed
from jobs.wording import photographed
from shop.access import allow_any_staff
from shop.forms.base import ModelForm
from shop.http import Request, sentences
from shop.series import code_of
from shop.typed import instant, json_value, row_version, token

A_YEAR_S = 365 * 24 * 3600
PAGES = {
    "channel": "bay_channels",
    "speaker": "bay_channels",
    "run": "bay_power",
    "part": "bay_fit",
    "function": "bay_before",
    "step": "bay_steps",
    "mark": "check_in",
    "check_in": "check_in",
}
"""The page where a subject is worked on, by its kind."""


class PhotoForm(ModelForm):
    """What a person writes under a photo."""

    class Meta:
        model = Photo
        fields = ["caption"]
        widgets = {"caption": forms.TextInput({"autocomplete": "off", "data-span": "all"})}


def _title(job: Job, subject: str) -> str:
    return photographed(subject_titles(job, [subject])[subject])


def _job(number: int) -> Job:
    return get_object_or_404(Job.objects.with_names(), number=number)


@allow_any_staff
def photo_list(request: Request, number: int) -> HttpResponse:
    """Photos of one subject (`?subject=`) or of the whole job; POST adds one."""
    job = _job(number)
    if request.method == "POST":
        return _add(request, job)
    subject = request.GET.get("subject", "")
    if subject and not is_subject(subject):
        raise Http404(gettext("There are no photos of that."))
    context: dict[str, Any] = {"job": job, "subject": subject, "book": PhotoBook.of(job)}
    if subject:
        context["title"] = _title(job, subject)
        context["back_url"], context["back_label"] = _back(job, subject)
    if request.htmx:
        return render(request, "photos/dialog.html", context)
    return render(request, "photos/list.html", context)


def _add(request: Request, job: Job) -> HttpResponse:
    """201 or 200 with the strip; else a sentence: 422 refused, 403 closed, 429 busy."""
    file = request.FILES.get("photo")
    if file is None:
        return sentences(["No picture arrived. Choose it again."], 422)
    subject = request.POST.get("subject", "job")
    try:
        photo = add_photo(
            job.number,
            file,
            file.size or 0,
            subject=subject,
            key=token(request.POST.get("key")),
            actor=request.user,
            caption=request.POST.get("caption", ""),
            taken_at=instant(request.POST.get("taken_at")),
        )
    except Busy as busy:
        answer = sentences(busy.reasons, 429)
        answer["Retry-After"] = "3"
        return answer
    except Refused as refused:
        return sentences(refused.reasons, 422 if job.takes_changes else 403)
    if "Loombook-Photo" not in request.headers:
        return redirect("photo", job.number, photo.pk)
    context = {"job": job, "subject": subject, "kept_with": photo.subject}
    return render(request, "photos/strip.html", context, status=201)


def _photo(number: int, pk: int) -> Photo:
    return get_object_or_404(
        Photo.objects.select_related("job__vehicle", "by", "removed_by"), job__number=number, pk=pk
    )


def _back(job: Job, subject: str) -> tuple[str, str]:
    """Where the subject is worked on, and what that page is called."""
    try:
        page = PAGES[subject.partition(":")[0]]
        url = reverse(page, args=[job.number])
    except (KeyError, NoReverseMatch):
        return reverse("job", args=[job.number]), str(job)
    return url, "Check in" if page == "check_in" else "Bay sheet"


@allow_any_staff
def photo(request: Request, number: int, pk: int) -> HttpResponse:
    """One photo, large, with its caption and the marks on it; POST saves both."""
    photo = _photo(number, pk)
    form = PhotoForm(request.POST or None, instance=photo)
    errors: list[str] = []
    clashes: list[Any] = []
    if request.method == "POST" and form.is_valid():
        changes: dict[str, Any] = {"caption": form.cleaned_data["caption"]}
        try:
            if "annotations" in request.POST:
                changes["annotations"] = json_value(request.POST["annotations"] or "[]")
            saved = change_photo(
                number,
                pk,
                changes,
                version=row_version(request.POST.get("version")),
                actor=request.user,
                key=token(request.POST.get("key")),
            )
        except ValueError:
            errors = ["The marks could not be read: draw them again."]
        except Refused as refused:
            errors = refused.reasons
        else:
            if not saved.clashes:
                messages.success(request, gettext("The photo is saved."))
                return redirect("photo", number, pk)
            clashes = saved.clashes
    return _photo_page(request, photo.pk, number, form, errors, clashes)


def _photo_page(
    request: Request, pk: int, number: int, form: PhotoForm, errors: list[str], clashes: list[Any]
) -> HttpResponse:
    photo = _photo(number, pk)
    job = photo.job
    back_url, back_label = _back(job, photo.subject)
    beside = PhotoBook.of(job).photos(photo.subject)
    place = next((at for at, one in enumerate(beside) if one.pk == pk), None)
    context = {
        "photo": photo,
        "job": job,
        "form": form,
        "said": errors,
        "clashes": clashes,
        "open": job.takes_changes and photo.removed_at is None,
        "may_put_back": job.takes_changes and photo.removed_at is not None,
        "title": _title(job, photo.subject),
        "drawn": request.POST.get("annotations") or json.dumps(photo.annotations),
        "previous": beside[place - 1] if place else None,
        "following": beside[place + 1] if place is not None and place + 1 < len(beside) else None,
        "back_url": back_url,
        "back_label": back_label,
    }
    status = 409 if clashes else 422 if errors or form.errors else 200
    return render(request, "photos/photo.html", context, status=status)


@allow_any_staff
@require_POST
def photo_remove(request: Request, number: int, pk: int) -> HttpResponse:
    """Take a photo away; its page offers to put it back."""
    return _removed(request, number, pk, back=False)


@allow_any_staff
@require_POST
def photo_put_back(request: Request, number: int, pk: int) -> HttpResponse:
    """Put a removed photo back."""
    return _removed(request, number, pk, back=True)


def _removed(request: Request, number: int, pk: int, *, back: bool) -> HttpResponse:
    photo = _photo(number, pk)
    try:
        remove_photo(number, photo.pk, actor=request.user, back=back)
    except Refused as refused:
        for reason in refused.reasons:
            messages.error(request, reason)
    return redirect("photo", number, pk)


@allow_any_staff
def photo_file(request: Request, number: int, pk: int) -> FileResponse:
    """The picture itself."""
    return _file(_photo(number, pk).file, f"{code_of(number)}-{pk}.jpg")


@allow_any_staff
def photo_thumbnail(request: Request, number: int, pk: int) -> FileResponse:
    """The small picture."""
    return _file(_photo(number, pk).thumbnail, f"{code_of(number)}-{pk}-small.jpg")


@allow_any_staff
def photo_printed(request: Request, number: int, pk: int) -> HttpResponse:
    """The picture as a sheet prints it: small, its marks burned in."""
    photo = _photo(number, pk)
    data = printed({"sha256": None, "marks": photo.annotations}, photo)
    if data is None:
        raise Http404(gettext("The picture's file is missing: restore it from the backup."))
    return printed_answer(data)


def printed_answer(data: bytes) -> HttpResponse:
    """A printed picture, whose address changes when the picture does."""
    response = HttpResponse(data, content_type="image/jpeg")
    response["Cache-Control"] = f"private, max-age={A_YEAR_S}, immutable"
    response["X-Content-Type-Options"] = "nosniff"
    return response


def draft_photos(job: Job, document: Mapping[str, Any]) -> dict[int, str]:
    """Where a draft's pictures are found, by photo."""
    return {
        one["id"]: f"{reverse('photo_printed', args=[job.number, one['id']])}?v={one['version']}"
        for one in document["photos"]
    }


def _file(kept: FieldFile, called: str) -> FileResponse:
    """A picture never changes once it is kept, so a device may hold it; a shared cache may not."""
    try:
        file = kept.open("rb")
    except FileNotFoundError:
        raise Http404(
            gettext("The picture's file is missing: restore it from the backup.")
        ) from None
    response = FileResponse(file, content_type="image/jpeg", filename=called)
    response["Cache-Control"] = f"private, max-age={A_YEAR_S}, immutable"
    response["X-Content-Type-Options"] = "nosniff"
    return response
