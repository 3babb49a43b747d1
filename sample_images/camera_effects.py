"""What a camera adds to the light it caught: lens, exposure, noise, tone curve, JPEG."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from meshes import Array


@dataclass(frozen=True)
class CameraLook:
    """Settings of one exposure."""

    wb_strength: float
    wb_error: tuple[float, float, float]
    vignette: float
    target: float
    ev_error: float
    blur_px: float
    full_well: float
    read_noise: float
    noise_grain: float
    sharpen: float
    contrast: float
    saturation: float
    fog: float
    jpeg_quality: int


def random_look(rng: np.random.Generator, *, dim: bool, foggy: bool) -> CameraLook:
    """A phone or fixed camera's settings."""
    return CameraLook(
        wb_strength=float(np.clip(rng.normal(0.85, 0.2), 0.2, 1.1)),
        wb_error=tuple(np.exp(rng.normal(0, 0.045, 3)).tolist()),
        vignette=float(rng.uniform(0.05, 0.35)),
        target=float(rng.uniform(0.17, 0.27)),
        ev_error=float(rng.normal(-0.9 if dim else 0.0, 0.35)),
        blur_px=float(rng.uniform(0.45, 1.05) if rng.uniform() < 0.9 else rng.uniform(1.1, 2.2)),
        full_well=float(rng.uniform(700, 1800) if dim else rng.uniform(1800, 9000)),
        read_noise=float(rng.uniform(0.001, 0.004)),
        noise_grain=float(rng.uniform(0.2, 0.8)),
        sharpen=float(rng.uniform(0.0, 0.6)),
        contrast=float(rng.normal(1.04, 0.07)),
        saturation=float(rng.normal(1.05, 0.1)),
        fog=float(rng.uniform(0.25, 0.6)) if foggy else 0.0,
        jpeg_quality=int(rng.integers(82, 93)),
    )


def _exposed(linear: Array, look: CameraLook, illuminant: Array) -> Array:
    gain = np.clip(1 / np.maximum(illuminant, 0.05), 0.5, 2.5) ** look.wb_strength
    balanced = linear * gain * np.asarray(look.wb_error)
    luminance = balanced @ np.array([0.2126, 0.7152, 0.0722])
    # Auto exposure: middle grey, held back where much would clip.
    mean = float(np.mean(np.minimum(luminance, np.quantile(luminance, 0.98))))
    bright = float(np.quantile(luminance, 0.97))
    gain_ev = min(look.target / max(mean, 1e-6), 2.6 / max(bright, 1e-6)) * 2.0**look.ev_error
    return np.asarray(balanced * gain_ev)


def _through_lens(linear: Array, look: CameraLook) -> Array:
    height, width = linear.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    radius = np.hypot(x - width / 2, y - height / 2) / (0.5 * np.hypot(width, height))
    shaded = linear * (1 - look.vignette * radius**2)[..., None]
    blurred = cv2.GaussianBlur(shaded, (0, 0), look.blur_px)
    # Light bounced inside a hand-held lens lifts the blacks a little.
    veil = cv2.GaussianBlur(cv2.resize(shaded, (width // 8, height // 8)), (0, 0), 12)
    veil = cv2.resize(veil, (width, height))
    if look.fog > 0:
        wide = cv2.GaussianBlur(shaded, (0, 0), 3 + 9 * look.fog)
        blurred = (1 - look.fog) * blurred + look.fog * (0.55 * wide + 0.45 * veil)
    return np.asarray(0.985 * blurred + 0.015 * veil)


def _noisy(rng: np.random.Generator, linear: Array, look: CameraLook) -> Array:
    noise = rng.standard_normal(linear.shape, dtype=np.float32)
    soft = cv2.GaussianBlur(noise, (0, 0), 1.0) * 3.2
    noise = (1 - look.noise_grain) * noise + look.noise_grain * soft
    sigma = np.sqrt(np.maximum(linear, 0) / look.full_well + look.read_noise**2)
    return np.asarray(linear + sigma * noise)


def _encoded(linear: Array, look: CameraLook) -> Array:
    clipped = np.clip(linear, 0, 1)
    tone = np.where(clipped <= 0.0031308, 12.92 * clipped, 1.055 * clipped ** (1 / 2.4) - 0.055)
    tone = 0.5 + (tone - 0.5) * look.contrast
    grey = tone @ np.array([0.299, 0.587, 0.114], dtype=np.float32)
    tone = grey[..., None] + (tone - grey[..., None]) * look.saturation
    sharp = tone + look.sharpen * (tone - cv2.GaussianBlur(tone, (0, 0), 1.2))
    return np.asarray(np.clip(sharp * 255 + 0.5, 0, 255).astype(np.uint8))


def developed(
    rng: np.random.Generator, linear: Array, look: CameraLook, illuminant: Array
) -> Array:
    """The photo (height, width, 3) uint8 RGB from linear radiance."""
    light = _exposed(linear.astype(np.float32), look, illuminant).astype(np.float32)
    seen = _through_lens(light, look).astype(np.float32)
    return _encoded(_noisy(rng, seen, look).astype(np.float32), look)


@dataclass(frozen=True)
class Shot:
    """EXIF facts of a photo; orientation 1 or 6 (stored turned, as many phones do)."""

    taken_at: datetime
    hfov_deg: float
    orientation: int
    maker: str


# Of a film picture of 36 mm x 24 mm, to whose diagonal the equivalent focal length refers (CIPA
# DCG-001).
_FILM_DIAGONAL_MM = 43.27


def _exif(shot: Shot, size: tuple[int, int]) -> Image.Exif:
    focal_px = size[0] / 2 / np.tan(np.radians(shot.hfov_deg) / 2)
    equivalent = _FILM_DIAGONAL_MM * focal_px / np.hypot(*size)
    zone = shot.taken_at.strftime("%z")
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = shot.maker
    exif[ExifTags.Base.Software] = "rendered scene, not a photograph"
    exif[ExifTags.Base.Orientation] = shot.orientation
    facts = exif.get_ifd(ExifTags.IFD.Exif)
    facts[ExifTags.Base.DateTimeOriginal] = shot.taken_at.strftime("%Y:%m:%d %H:%M:%S")
    facts[ExifTags.Base.OffsetTimeOriginal] = f"{zone[:3]}:{zone[3:]}"
    facts[ExifTags.Base.FocalLength] = IFDRational(round(equivalent * 100 / 6.5), 100)
    facts[ExifTags.Base.FocalLengthIn35mmFilm] = round(equivalent)
    return exif


def save_jpeg(photo: Array, path: Path, *, quality: int, shot: Shot | None) -> None:
    """Write the photo; ``shot`` adds EXIF and, for orientation 6, stores it turned."""
    stored = np.rot90(photo) if shot is not None and shot.orientation == 6 else photo
    exif = Image.Exif() if shot is None else _exif(shot, (photo.shape[1], photo.shape[0]))
    picture = Image.fromarray(np.ascontiguousarray(stored))
    picture.save(path, "JPEG", quality=quality, exif=exif, optimize=True)


def look_facts(look: CameraLook) -> dict[str, Any]:
    """The settings for the truth file."""
    return {k: round(v, 4) if isinstance(v, float) else v for k, v in asdict(look).items()}
