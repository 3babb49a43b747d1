"""The service with the real library behind it, on photos of the sample run."""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image

from service.app import create_app
from service.settings import Settings
from tests.service.conftest import ON_THIS_MACHINE
from tests.service.recorded_inspections import tray_record

PHOTOS = Path(__file__).parents[3] / "sample_images" / "photos"
NAME = "day4-barley-healthy-fixed"


@pytest.fixture(scope="module")
def truth() -> Any:
    return json.loads((PHOTOS / f"{NAME}.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory, truth: Any) -> Iterator[TestClient]:
    size = "x".join(str(truth["tray"][side]) for side in ("length", "width", "depth"))
    data = {"data": tmp_path_factory.mktemp("real"), "tray_size": size}
    with TestClient(create_app(Settings.model_validate(data)), **ON_THIS_MACHINE) as client:
        yield client


@pytest.fixture(scope="module")
def photo(client: TestClient) -> Any:
    files = {"photo": (f"{NAME}.jpg", (PHOTOS / f"{NAME}.jpg").read_bytes(), "image/jpeg")}
    answer = client.post("/api/photos", files=files)
    assert answer.status_code == 201, answer.text
    return answer.json()["photos"][0]


def test_tray_is_identified_and_measured(photo: Any, truth: Any) -> None:
    assert photo["problem"] is None
    assert [tray["tray"] for tray in photo["trays"]] == [truth["tray_number"]]
    assert photo["trays"][0]["cover"]["value"] == pytest.approx(truth["cover_ortho"], abs=0.05)
    assert photo["trays"][0]["day"] is None
    assert photo["taken_at_from"] == "photo"
    assert datetime.fromisoformat(photo["taken_at"]) == datetime.fromisoformat(truth["taken_at"])


def test_recorded_inspections_of_the_tests_have_the_librarys_fields(photo: Any) -> None:
    real, drawn = photo["trays"][0], tray_record(17)
    assert set(drawn) == set(real)
    for name in ("pose", "colour", "evenness", "light"):
        assert set(drawn[name]) == set(real[name])
    assert set(drawn["score"]) <= set(real["score"])


@pytest.mark.parametrize("picture", ["overlay", "thumbnail"])
def test_pictures_are_drawn(client: TestClient, photo: Any, picture: str) -> None:
    answer = client.get(photo[picture])
    assert answer.headers["content-type"] == "image/jpeg"
    assert answer.content.startswith(b"\xff\xd8")


def test_view_is_one_millimetre_a_pixel(client: TestClient, photo: Any, truth: Any) -> None:
    answer = client.get(f"/api/photos/{photo['id']}/trays/{truth['tray_number']}/view")
    with Image.open(BytesIO(answer.content)) as view:
        assert view.size == (truth["tray"]["length"], truth["tray"]["width"])


def test_run_entered_later_gives_the_photo_its_day(client: TestClient, photo: Any) -> None:
    number = photo["trays"][0]["tray"]
    spread_at = datetime.fromisoformat(photo["taken_at"]) - timedelta(days=4)
    run = {"tray": number, "spread_at": spread_at.isoformat()}
    assert client.post("/api/runs", json=run).status_code == 201
    client.app.state.remeasurer.wait()  # type: ignore[attr-defined]
    again = client.get(f"/api/photos/{photo['id']}").json()
    assert again["trays"][0]["day"] == pytest.approx(4.0)
    assert again["inspection_id"] != photo["inspection_id"]
    points = client.get(f"/api/trays/{number}/curve").json()["cover"]["points"]
    assert [point["photo_id"] for point in points] == [photo["id"]]
