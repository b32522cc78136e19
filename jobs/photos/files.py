"""A picture as it was sent, made safe to keep: checked, turned upright, stripped, shrunk.

Nothing of the file that came in is kept but its pixels: it is encoded again as JPEG in sRGB, so
place, camera and any hidden part are gone.
"""

import io
from dataclasses import dataclass
from typing import BinaryIO, Final

from PIL import Image, ImageCms, ImageFile, ImageOps, UnidentifiedImageError

from jobs import wording
from jobs.errors import Refused

MOST_BYTES: Final = 25 * 1024 * 1024
MOST_PIXELS: Final = 64_000_000
LONG_SIDE: Final = 2560
THUMBNAIL_SIDE: Final = 400
FORMATS: Final = ("JPEG", "PNG", "WEBP")

_HEIC_BRANDS: Final = frozenset({b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"})
_HEIC: Final = (
    "This picture is in HEIC format, which cannot be read here. Set the camera to save JPEG "
    "(many devices call it “most compatible”), or send a screenshot of the picture."
)
_TYPE: Final = "This file is no picture that can be read here. Send a JPEG, PNG or WebP picture."
_PIXELS: Final = (
    f"This picture has more than {MOST_PIXELS // 1_000_000} million pixels, which is more than can "
    "be taken. Send it smaller."
)
_BROKEN: Final = "This picture is damaged or did not arrive whole. Take it again or send it again."


@dataclass(frozen=True)
class Picture:
    """An upright JPEG without metadata, its thumbnail, and its size in pixels."""

    jpeg: bytes
    thumbnail: bytes
    width: int
    height: int


def read_picture(file: BinaryIO, size_bytes: int) -> Picture:
    """The picture in an uploaded file. Raises Refused, saying what to do instead."""
    if size_bytes > MOST_BYTES:
        raise Refused(
            f"This file has {wording.megabytes(size_bytes)}; at most "
            f"{MOST_BYTES // 1024 // 1024} MB are taken. Send it smaller."
        )
    data = file.read()
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        raise Refused(_HEIC)
    # The PDF renderer switches this on for the whole process: a photo cut short would pass.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        return _encode(_open(data))
    except UnidentifiedImageError:
        raise Refused(_TYPE) from None
    except Image.DecompressionBombError:
        raise Refused(_PIXELS) from None
    except (OSError, SyntaxError, ValueError):
        raise Refused(_BROKEN) from None


def _open(data: bytes) -> Image.Image:
    """The picture, not yet decoded; its stated size is looked at before any pixel is."""
    with Image.open(io.BytesIO(data), formats=FORMATS) as probe:
        width, height = probe.size
        if width * height > MOST_PIXELS:
            raise Refused(_PIXELS)
        probe.verify()
    return Image.open(io.BytesIO(data), formats=FORMATS)


def _encode(image: Image.Image) -> Picture:
    image.draft("RGB", (LONG_SIDE, LONG_SIDE))
    image = _on_white(_in_srgb(ImageOps.exif_transpose(image)))
    image.thumbnail((LONG_SIDE, LONG_SIDE), Image.Resampling.LANCZOS)
    small = image.copy()
    small.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE), Image.Resampling.LANCZOS)
    return Picture(jpeg(image, 85), jpeg(small, 78), image.width, image.height)


def _in_srgb(image: Image.Image) -> Image.Image:
    """Colours as a screen without colour management shows them right."""
    profile = image.info.get("icc_profile")
    if not profile or image.mode not in {"RGB", "RGBA"}:
        return image
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):
        return image
    return turned or image


def _on_white(image: Image.Image) -> Image.Image:
    if image.mode in {"RGBA", "LA", "PA"} or "transparency" in image.info:
        image = image.convert("RGBA")
        ground = Image.new("RGB", image.size, "white")
        ground.paste(image, mask=image.getchannel("A"))
        return ground
    return image.convert("RGB")


def jpeg(image: Image.Image, quality: int) -> bytes:
    """The pixels as JPEG, and nothing else."""
    bare = image.copy()
    bare.info = {}
    out = io.BytesIO()
    bare.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()
