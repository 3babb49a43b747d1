"""Values without laid down keys: whatever is sent is kept and given back, or refused unsaved."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from pydantic import SecretStr

from service.archives.backup import restore, write_backup
from service.archives.export import export_log
from service.log.entries import Entrant, enter
from service.log.free_values import DEEPEST, LONGEST, check_free, read_json
from service.log.schema import CHORE
from service.settings import Settings
from tests.service.conftest import START, Room, Watch, copied_log, fresh_database, opened
from tests.service.postgres_cluster import Cluster
from tests.service.recorded_inspections import RecordedInspector

# Surrogates and NUL among them: what JSON can say and nobody can keep.
_texts = st.text(st.characters(exclude_categories=()), max_size=6)
# PostgreSQL gives larger ones back as whole numbers, of which Python keeps every digit.
_numbers = st.integers() | st.floats(-1e15, 1e15) | st.sampled_from([math.inf, math.nan])
_values = st.recursive(
    st.none() | st.booleans() | _numbers | _texts,
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(_texts, inner, max_size=2),
)
_details = st.dictionaries(_texts, _values, max_size=3)
_HALF_PAIR, _NUL = {"a": "\ud800"}, {"a": "x\x00y"}


def _nested(levels: int) -> dict[str, Any]:
    value: Any = []
    for _ in range(levels - 2):
        value = [value]
    return {"a": value}


def _send(room: Room, details: object) -> Any:
    body = json.dumps({"kind": "water", "title": "by hand", "details": details})
    headers = {"Content-Type": "application/json"}
    return room.client.post("/api/chores", content=body, headers=headers)


# Each example is a request: a failure is not made smaller, which would take minutes.
@settings(
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    max_examples=30,
    phases=[Phase.explicit, Phase.generate],
)
@example(_HALF_PAIR)
@example({"\udfff": 1})
@example(_NUL)
@example({"a": float("nan")})
@example({"a": [float("inf")]})
@example({"a": 2**70})
@example(_nested(900))
@given(_details)
def test_details_are_kept_as_they_came_or_refused_before_anything_is_saved(
    room: Room, details: dict[str, Any]
) -> None:
    before = len(room.get("/api/chores", limit=1000))
    answer = _send(room, details)
    listed = room.get("/api/chores", limit=1000)
    if answer.status_code == 422:
        assert [one["field"] for one in answer.json()["errors"]] == ["body.details"]
        assert len(listed) == before
        return
    assert answer.status_code == 201, answer.text
    chore = answer.json()
    assert chore["details"] == details
    assert len(listed) == before + 1
    room.get(f"/api/chores/{chore['id']}/history")


@pytest.mark.parametrize(
    ("details", "rule"),
    [
        (_HALF_PAIR, "must have texts that can be kept, but a has half of a pair of surrogates"),
        ({"b": [{"\x00": 1}]}, "must have texts that can be kept, but a name in b.0 has a NUL"),
        (_nested(DEEPEST + 1), f"must lie at most {DEEPEST} levels deep, but a"),
        ({"a": "ü" * LONGEST}, f"must have at most {LONGEST} bytes as JSON, got {2 * LONGEST + 9}"),
        ({"a": float("inf")}, "must have finite numbers, but a has inf"),
        ({"a": [2**53]}, "must have whole numbers up to 9007199254740991, but a.0 has more"),
    ],
)
def test_rule_says_where_it_is_broken(details: dict[str, Any], rule: str) -> None:
    with pytest.raises(ValueError, match="must") as refused:
        check_free(details)
    assert str(refused.value).startswith(rule)
    assert check_free(_nested(DEEPEST)) == _nested(DEEPEST)


def test_rows_of_before_are_listed_exported_and_moved(
    tmp_path: Path, migrated_sqlite: Path, cluster: Cluster
) -> None:
    old = copied_log(migrated_sqlite, tmp_path / "old")
    with opened(old, Watch(), RecordedInspector()) as room:
        with room.service.database.write() as connection:
            for details in (_HALF_PAIR, _NUL, _nested(300), {"a": float("nan")}):
                values = {"kind": "water", "title": "by hand", "details": details}
                enter(connection, CHORE, values, Entrant(START))
        chores = room.get("/api/chores")
        assert [one["details"] for one in chores[:2]] == [{"a": "\\ud800"}, {"a": "x\\u0000y"}]
        assert chores[3]["details"] == {"a": "NaN"}
        for chore in chores:
            room.get(f"/api/chores/{chore['id']}/history")
        assert room.client.get("/room/written").status_code == 200
        assert b"".join(export_log(room.service))
        write_backup(room.service, tmp_path / "backup.zip")
    new = Settings(
        data=tmp_path / "new",
        database_url=SecretStr(fresh_database(cluster)),
        time_zone="Europe/Vienna",
    )
    assert restore(new, tmp_path / "backup.zip").rows["chore"] == 4
    with opened(new, Watch(), RecordedInspector()) as room:
        assert room.get("/api/chores") == chores


def test_what_lies_too_deep_to_be_read_is_given_as_its_text() -> None:
    endless = "[" * 100_000 + "]" * 100_000
    assert read_json(endless) == {"text": endless}


def test_whole_pairs_are_read_as_they_are() -> None:
    assert read_json(json.dumps({"a": ["😀", 1, None]})) == {"a": ["😀", 1, None]}


def test_calibration_is_held_to_the_same_rules(room: Room) -> None:
    calibration = {"width": 4000, "height": 3000, "fx": 3000, "fy": 3000, "cx": 2000, "cy": 1500}
    body = {"name": "K", "kind": "sends photos", "calibration": {**calibration, "note": "\ud800"}}
    headers = {"Content-Type": "application/json"}
    answer = room.client.post("/api/cameras", content=json.dumps(body), headers=headers)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "body.calibration"
    assert room.get("/api/cameras") == []
