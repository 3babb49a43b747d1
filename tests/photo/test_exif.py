"""Capture time, offset and focal length from EXIF, well formed and not."""

import io
from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction
from math import atan, hypot, pi, tan

import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image
from PIL.TiffImagePlugin import IFDRational

from trayvision.photo.exif import capture_time, focal_length_from_35mm
from trayvision.photo.photo import load_photo
from trayvision.quality_flags import Doubt, PhotoProblem

TAG = ExifTags.Base


def photo_with(fields: dict[int, object], size: tuple[int, int] = (600, 400)) -> bytes:
    """A JPEG whose Exif directory holds `fields`."""
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif).update(fields)
    buffer = io.BytesIO()
    Image.new("RGB", size, (90, 140, 60)).save(buffer, "JPEG", exif=exif)
    return buffer.getvalue()


# Time --------------------------------------------------------------------------------------


def test_capture_time_with_offset_and_subseconds() -> None:
    photo = load_photo(
        photo_with(
            {
                TAG.DateTimeOriginal: "2026:03:05 06:41:07",
                TAG.OffsetTimeOriginal: "+02:00",
                TAG.SubsecTimeOriginal: "250",
            }
        )
    )
    assert photo.taken_at == datetime(2026, 3, 5, 4, 41, 7, 250_000, tzinfo=UTC)
    assert photo.taken_at is not None
    assert photo.taken_at.utcoffset() == timedelta(hours=2)
    assert photo.doubts == ()


@pytest.mark.parametrize("kind", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_every_format_carries_the_record(kind: str) -> None:
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {
            TAG.DateTimeOriginal: "2026:03:05 06:41:07",
            TAG.OffsetTimeOriginal: "-05:00",
            TAG.FocalLengthIn35mmFilm: 26,
        }
    )
    buffer = io.BytesIO()
    pillow_heif.register_heif_opener()
    image = Image.new("RGB", (800, 600), (90, 140, 60))
    image.save(buffer, kind, exif=exif.tobytes())
    photo = load_photo(buffer.getvalue())
    assert photo.taken_at == datetime(2026, 3, 5, 11, 41, 7, tzinfo=UTC)
    assert photo.focal_length_px == pytest.approx(26 * 1000 / hypot(36, 24))


def test_clock_without_offset_is_no_moment() -> None:
    photo = load_photo(photo_with({TAG.DateTimeOriginal: "2026:03:05 06:41:07"}))
    assert photo.taken_at is None
    assert photo.doubts == (Doubt.CAPTURE_OFFSET_UNKNOWN,)


def test_offset_of_the_edit_is_not_that_of_the_capture() -> None:
    fields: dict[int, object] = {
        TAG.DateTimeOriginal: "2026:03:05 06:41:07",
        TAG.OffsetTime: "+02:00",
        TAG.OffsetTimeDigitized: "+02:00",
    }
    assert load_photo(photo_with(fields)).doubts == (Doubt.CAPTURE_OFFSET_UNKNOWN,)


def test_photo_without_any_record_says_so() -> None:
    assert load_photo(photo_with({})).doubts == (Doubt.CAPTURE_TIME_UNKNOWN,)


@pytest.mark.parametrize(
    ("clock", "offset", "expected"),
    [
        ("2026:03:05 06:41:07", "Z", timedelta(0)),
        ("2026:03:05 06:41:07", "-03:30", -timedelta(hours=3, minutes=30)),
        ("2026:03:05 06:41:07", "+14:00", timedelta(hours=14)),
        ("2026:03:05 06:41:07", "+14:01", Doubt.CAPTURE_OFFSET_UNKNOWN),
        ("2026:03:05 06:41:07", "+02:60", Doubt.CAPTURE_OFFSET_UNKNOWN),
        ("2026:03:05 06:41:07", "0200", Doubt.CAPTURE_OFFSET_UNKNOWN),
        ("2026:03:05 06:41:07", "   :  ", Doubt.CAPTURE_OFFSET_UNKNOWN),
        ("0000:00:00 00:00:00", "+02:00", Doubt.CAPTURE_TIME_UNKNOWN),
        ("    :  :     :  :  ", "+02:00", Doubt.CAPTURE_TIME_UNKNOWN),
        ("2026:02:30 06:41:07", "+02:00", Doubt.CAPTURE_TIME_UNKNOWN),
        ("2026-03-05 06:41:07", "+02:00", Doubt.CAPTURE_TIME_UNKNOWN),
        ("2026:03:05 25:41:07", "+02:00", Doubt.CAPTURE_TIME_UNKNOWN),
        ("0001:01:01 00:00:00", "+14:00", Doubt.CAPTURE_TIME_UNKNOWN),
    ],
)
def test_clock_and_offset_as_cameras_write_them(
    clock: str, offset: str, expected: timedelta | Doubt
) -> None:
    moment, doubt = capture_time(clock, offset, "")
    if isinstance(expected, Doubt):
        assert (moment, doubt) == (None, expected)
    else:
        assert moment == datetime(2026, 3, 5, 6, 41, 7, tzinfo=timezone(expected))
        assert doubt is None


@pytest.mark.parametrize(
    ("subsecond", "microseconds"),
    [("", 0), ("5", 500_000), ("05", 50_000), ("1234567", 123_456), ("x", 0), ("٣", 0)],
)
def test_subseconds_are_decimal_digits_after_the_point(subsecond: str, microseconds: int) -> None:
    moment, _ = capture_time("2026:03:05 06:41:07", "Z", subsecond)
    assert moment is not None
    assert moment.microsecond == microseconds


@given(clock=st.text(max_size=20), offset=st.text(max_size=8), subsecond=st.text(max_size=8))
def test_any_text_gives_a_moment_or_a_doubt(clock: str, offset: str, subsecond: str) -> None:
    moment, doubt = capture_time(clock, offset, subsecond)
    assert (moment is None) != (doubt is None)


# Focal length ------------------------------------------------------------------------------


def test_26_mm_equivalent_on_4000_by_3000_px() -> None:
    # Closed form: 26 mm x 5000 px / sqrt(36^2 + 24^2) mm, since 4000 x 3000 has diagonal 5000.
    focal = focal_length_from_35mm(26, (4000, 3000))
    assert focal == pytest.approx(130_000 / 43.266615305567875)
    # The same diagonal angle of view as 26 mm on full frame: 2 atan(43.27 / 52) = 79.5 degrees.
    assert 2 * atan(2500 / focal) * 180 / pi == pytest.approx(79.52, abs=0.01)


@given(f35=st.floats(10, 300), width=st.integers(600, 9000), height=st.integers(600, 9000))
def test_equivalent_focal_length_keeps_the_diagonal_angle(
    f35: float, width: int, height: int
) -> None:
    focal = focal_length_from_35mm(f35, (width, height))
    assert hypot(width, height) / 2 / focal == pytest.approx(tan(atan(hypot(36, 24) / 2 / f35)))
    assert focal == focal_length_from_35mm(f35, (height, width))


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_portrait_and_landscape_have_the_same_focal_length(orientation: int) -> None:
    exif = Image.Exif()
    exif[TAG.Orientation] = orientation
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {TAG.FocalLengthIn35mmFilm: 26, TAG.ExifImageWidth: 800, TAG.ExifImageHeight: 600}
    )
    buffer = io.BytesIO()
    Image.new("RGB", (800, 600), (90, 140, 60)).save(buffer, "JPEG", exif=exif)
    photo = load_photo(buffer.getvalue())
    assert photo.focal_length_px == pytest.approx(26 * 1000 / hypot(36, 24))
    assert (photo.width, photo.height) == ((800, 600) if orientation < 5 else (600, 800))


def test_resized_keeps_the_angle_and_cropped_says_nothing() -> None:
    fields: dict[int, object] = {
        TAG.FocalLengthIn35mmFilm: 26,
        TAG.ExifImageWidth: 4000,
        TAG.ExifImageHeight: 3000,
    }
    resized = load_photo(photo_with(fields, size=(800, 600)))
    assert resized.focal_length_px == pytest.approx(26 * 1000 / hypot(36, 24))
    assert load_photo(photo_with(fields, size=(600, 600))).focal_length_px is None


@pytest.mark.parametrize(
    ("unit", "px_per_unit"),
    [(2, Fraction(25_400, 5)), (3, Fraction(10_000, 5)), (None, Fraction(5080))],
)
def test_focal_length_from_the_sensor_pitch(unit: int | None, px_per_unit: Fraction) -> None:
    # Pixels of 5 um: 200 px a mm, so a 6 mm lens has 1200 px in the 1200 px wide original,
    # and half of it in the copy of half the size. Without a unit EXIF 2.32 means inches.
    fields: dict[int, object] = {
        TAG.FocalLength: IFDRational(6, 1),
        TAG.FocalPlaneXResolution: IFDRational(px_per_unit.numerator, px_per_unit.denominator),
        TAG.ExifImageWidth: 1200,
        TAG.ExifImageHeight: 800,
    }
    if unit is not None:
        fields[TAG.FocalPlaneResolutionUnit] = unit
    assert load_photo(photo_with(fields)).focal_length_px == pytest.approx(600)


@pytest.mark.parametrize(
    "fields",
    [
        {TAG.FocalLengthIn35mmFilm: 0},  # EXIF 2.32: zero means unknown
        {TAG.FocalLengthIn35mmFilm: 65535},
        {TAG.FocalLengthIn35mmFilm: 1},
        {TAG.FocalLength: IFDRational(6, 1)},
        {TAG.FocalLength: IFDRational(6, 0), TAG.FocalPlaneXResolution: IFDRational(5080, 1)},
        {TAG.FocalLength: IFDRational(6, 1), TAG.FocalPlaneXResolution: IFDRational(0, 0)},
        {
            TAG.FocalLength: IFDRational(6, 1),
            TAG.FocalPlaneXResolution: IFDRational(5080, 1),
            TAG.FocalPlaneResolutionUnit: 9,
        },
    ],
)
def test_senseless_focal_length_is_no_focal_length(fields: dict[int, object]) -> None:
    assert load_photo(photo_with(fields)).focal_length_px is None


# Malformed records -------------------------------------------------------------------------

RECORD = photo_with(
    {
        TAG.DateTimeOriginal: "2026:03:05 06:41:07",
        TAG.OffsetTimeOriginal: "+02:00",
        TAG.FocalLengthIn35mmFilm: 26,
        TAG.FocalLength: IFDRational(6, 1),
        TAG.FocalPlaneXResolution: IFDRational(5080, 1),
    }
)
RECORD_START = RECORD.index(b"Exif\0\0") + 6
RECORD_BYTES = int.from_bytes(RECORD[RECORD_START - 8 : RECORD_START - 6], "big") - 8


@settings(max_examples=200, deadline=None)
@given(
    damage=st.lists(
        st.tuples(st.integers(0, RECORD_BYTES - 1), st.integers(0, 255)), min_size=1, max_size=6
    )
)
def test_damaged_record_never_spoils_the_picture(damage: list[tuple[int, int]]) -> None:
    data = bytearray(RECORD)
    for place, value in damage:
        data[RECORD_START + place] = value
    try:
        photo = load_photo(bytes(data))
    except PhotoProblem:
        pytest.fail("the pixels are whole, so the photo can be measured")
    assert sorted((photo.width, photo.height)) == [400, 600]
    assert photo.taken_at is None or photo.taken_at.tzinfo is not None


def test_orientation_outside_1_to_8_counts_as_upright() -> None:
    for value in (0, 9, 65535):
        exif = Image.Exif()
        exif[TAG.Orientation] = value
        buffer = io.BytesIO()
        Image.new("RGB", (600, 400), (90, 140, 60)).save(buffer, "PNG", exif=exif)
        photo = load_photo(buffer.getvalue())
        assert (photo.width, photo.height) == (600, 400)
