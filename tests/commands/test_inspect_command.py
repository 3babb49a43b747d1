"""The command as people and scripts call it."""

import json
import shutil
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from trayvision.__main__ import main
from trayvision.camera.camera import Camera
from trayvision.inspection.table import print_table
from trayvision.photo.photo import load_photo

PHOTOS = Path(__file__).parents[2] / "sample_images" / "photos"
GOOD = "day6-barley-healthy-fixed.jpg"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two good photos with their room file, a damaged one and one without a kit."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in (GOOD, "day0-barley-healthy-fixed.jpg", "room.toml"):
        shutil.copy(PHOTOS / name, photos / name)
    (photos / "cut-short.jpg").write_bytes((PHOTOS / GOOD).read_bytes()[:60_000])
    plain = np.full((600, 800, 3), 120, dtype=np.uint8)
    Image.fromarray(plain).save(photos / "no-kit.png")
    return photos


def test_one_good_photo_gives_status_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(PHOTOS / GOOD), "--json"]) == 0
    out = capsys.readouterr().out
    (photo,) = json.loads(out)["photos"]
    assert photo["problem"] is None
    assert photo["trays"][0]["day"] == pytest.approx(6.1, abs=0.3)


def test_bad_photos_spoil_no_others(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    overlays, masks = folder.parent / "o", folder.parent / "m"
    status = main(
        ["inspect", str(folder), "--json", "--jobs", "2"]
        + ["--overlay", str(overlays), "--masks", str(masks)]
    )
    captured = capsys.readouterr()
    photos = {Path(photo["file"]).name: photo for photo in json.loads(captured.out)["photos"]}
    assert status == 3
    assert len(photos) == 4
    assert photos[GOOD]["trays"]
    assert "whole and undamaged" in photos["cut-short.jpg"]["problem"]
    assert "No tag of the reference kit" in photos["no-kit.png"]["problem"]
    assert "cut-short.jpg" in captured.err
    assert "no-kit.png" in captured.err
    assert (overlays / "day6-barley-healthy-fixed.overlay.jpg").exists()
    mask = np.asarray(Image.open(masks / "day6-barley-healthy-fixed.classes.png"))
    assert mask.shape == (photos[GOOD]["height"], photos[GOOD]["width"])
    assert not (masks / "cut-short.classes.png").exists()


def test_a_photo_of_another_shape_than_the_camera_spoils_no_others(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Image.open(folder / GOOD) as good:
        width, height = good.size
    other = folder / "cropped.png"
    Image.fromarray(np.full((300, 800, 3), 120, dtype=np.uint8)).save(other)
    camera = Camera.typical(width, height, focal_px=0.75 * width)
    (folder / "camera.json").write_text(camera.to_json(), encoding="utf-8")
    asked = [str(other), str(folder / GOOD), "--camera", str(folder / "camera.json")]
    assert main(["inspect", *asked, "--json", "--jobs", "1"]) == 3
    captured = capsys.readouterr()
    assert f"{other}: camera is for {width} x {height} px and the photo has 800" in captured.err
    refused, measured = json.loads(captured.out)["photos"]
    assert not refused["trays"] and measured["trays"]


@pytest.mark.parametrize("days_off", [-30, 31])
def test_a_photo_of_another_run_has_no_score(
    days_off: int, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken_at = load_photo(folder / GOOD).taken_at
    assert taken_at is not None
    (folder / "room.toml").write_text(
        f'tray_size = "500x250x60"\nspread_at = {(taken_at - timedelta(days_off)).isoformat()}\n',
        encoding="utf-8",
    )
    assert main(["inspect", str(folder / GOOD), "--json"]) == 0
    (tray,) = json.loads(capsys.readouterr().out)["photos"][0]["trays"]
    assert tray["day"] == pytest.approx(days_off)
    assert "day_doubtful" in tray["doubts"]
    score = tray["score"]
    assert (score["value"], score["reason"]) == (None, "day_doubtful")
    assert score["attention"] != "quiet"
    assert tray["cover"]["value"] is not None


def test_table_names_every_photo(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(folder), "--jobs", "1"]) == 3
    out = capsys.readouterr().out
    for photo in folder.glob("*.*g"):
        assert photo.name in out
    assert "± 0" not in out
    assert "± is 1.96 standard uncertainties" in out


def test_table_says_what_the_record_means(capsys: pytest.CaptureFixture[str]) -> None:
    photo = PHOTOS / "day5-barley-bare-spots-fixed.jpg"
    assert main(["inspect", str(photo), "--json"]) == 0
    (tray,) = json.loads(capsys.readouterr().out)["photos"][0]["trays"]
    score = tray["score"] | {"arithmetic": ["", "Possible mould (…) allows at most 61."]}
    score |= {"value": 61, "uncertainty": 0.2, "lowest": 40, "highest": 61, "range_words": "…"}
    print_table([{"file": "a.jpg", "problem": None, "trays": [tray | {"score": score}]}])
    out = capsys.readouterr().out
    assert "61 ± <1 (40 to 61)" in out
    assert "allows at most 61\n" in out
    height = tray["canopy_height_mm"]
    assert f"{height['value']:.0f} ± {1.96 * height['uncertainty']:.0f}" in out


def test_same_stem_twice_would_overwrite(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    twin = folder.parent / GOOD
    shutil.copy(folder / GOOD, twin)
    arguments = ["inspect", str(folder / GOOD), str(twin), "--masks", str(folder.parent / "m")]
    assert main(arguments) == 2
    assert "would write the same picture" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--tray-size", "5x5"], "tray size must be LENGTHxWIDTHxDEPTH in mm"),
        (
            ["--tray-size", "250x400x50"],
            "the long side first, got 250x400x50; did you mean 400x250",
        ),
        (["--spread-at", "yesterday"], "--spread-at must be an ISO 8601 time"),
        (["--camera", "none.json"], "--camera must be a readable file, but none.json"),
        (["--jobs", "0"], "--jobs must be at least 1, got 0"),
        (["--day", "99"], "--day must be from 0 to 60 days since spreading, got 99"),
        (["--day", "-1"], "--day must be from 0 to 60 days since spreading, got -1"),
    ],
)
def test_wrong_use_gives_status_2(
    arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["inspect", str(PHOTOS / GOOD), *arguments]) == 2
    assert message in capsys.readouterr().err


def test_empty_folder_is_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["inspect", str(tmp_path)]) == 2
    assert "folder must hold photos, found none" in capsys.readouterr().err


def test_missing_file_is_a_photo_that_cannot_be_measured(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["inspect", "not-there.jpg"]) == 3
    assert "not-there.jpg" in capsys.readouterr().err
