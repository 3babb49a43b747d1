"""The page that lets phones in names the command that starts this room and no other one."""

import shlex

import pytest

from tests.pages.house import House
from tests.pages.test_room_forms import words


def _let_in(house: House) -> None:
    house.post("/api/people", name="Mara", role="owner", password="a long one to keep")
    house.client.headers["origin"] = house.address
    login = {"name": "Mara", "password": "a long one to keep"}
    assert house.client.post("/api/login", json=login).status_code == 200


def test_the_command_names_the_folder_of_this_room(empty_house: House) -> None:
    _let_in(empty_house)
    shown = words(empty_house.client.get("/set-up/phones"))
    folder = shlex.quote(str(empty_house.service.settings.data.resolve()))
    assert f"trayvision serve --host 0.0.0.0 --port 8017 --data {folder} " in shown
    assert "in the environment" not in shown


def test_variables_that_lead_to_this_room_are_named(
    empty_house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    _let_in(empty_house)
    monkeypatch.setenv("TRAYVISION_DATA", str(empty_house.service.settings.data))
    shown = words(empty_house.client.get("/set-up/phones"))
    assert "This room was found by TRAYVISION_DATA in the environment" in shown
