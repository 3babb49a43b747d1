"""`trayvision kit`: options to a PDF, wrong options to a sentence and status 2."""

from pathlib import Path

import pypdfium2 as pdfium
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trayvision.__main__ import main
from trayvision.commands.kit import parse_tray_numbers
from trayvision.kit.guide import number_ranges


def test_the_kit_is_written_and_its_pages_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "sheets.pdf"
    command = ["kit", "--trays", "0-3,9", "--shelf-pitch", "300", "--lens-angle", "120"]
    assert main([*command, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "carried from tray to tray: 1 sheet, page 4" in said
    assert "level 1, bar A on every tray: 2 sheets, pages 5 to 6" in said
    document = pdfium.PdfDocument(out)
    text = [page.get_textpage().get_text_range() for page in document]
    document.close()
    assert "trays 0–3, 9" in text[0]
    assert "Shelves 300 mm apart, a lens of 120°: from day 6" in " ".join(text[1].split())
    assert f"page {len(text)}" in text[-1]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--trays", "12-3"], "trays must be numbers and ranges such as 0-11,14, got '12-3'"),
        (["--trays", ""], "trays must be numbers and ranges"),
        (["--trays", "0-96"], "trays must be numbers from 0 to 95, got 96"),
        (["--trays", "1,1"], "trays must name each number once"),
        (["--tray-size", "big"], "tray size must be LENGTHxWIDTHxDEPTH in mm"),
        (["--shelf-pitch", "20"], "shelf_pitch_mm must be above 40, got 20.0"),
        (["--lens-angle", "nan"], "lens_angle_deg must be from 10 to 170, got nan"),
    ],
)
def test_wrong_options_are_named(
    options: list[str], words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["kit", *options, "--out", str(tmp_path / "kit.pdf")]) == 2
    assert words in capsys.readouterr().err


def test_a_place_that_cannot_be_written_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "no such folder" / "kit.pdf"
    assert main(["kit", "--out", str(out)]) == 2
    assert f"--out {out} cannot be written (No such file" in capsys.readouterr().err


@given(st.lists(st.integers(0, 95), min_size=1, unique=True))
def test_written_ranges_read_back(numbers: list[int]) -> None:
    assert list(parse_tray_numbers(number_ranges(numbers))) == sorted(numbers)
