"""Who may do what: one table of every path and method.

A path that no rule speaks of is the owner's alone. Where several rules match an address (a
literal path beside one with a number in it), all of them must be met.
"""

import re
from functools import lru_cache

from starlette.routing import compile_path

from service.accounts.roles import Right

_THINGS = "racks shelves positions lots readings chores harvests placements tray-states".split()

# Lines of methods and a path as its route is declared.
_TABLE: dict[Right, str] = {
    Right.ANYONE: """
        GET /healthz
        POST /api/login
        GET POST /login
        GET /static/{name}
        GET /worker.js
    """,
    Right.SELF: """
        GET /api/me
        POST /api/me/password
        POST /api/logout
        POST /logout
        GET POST /set-up/password
        POST /set-up/password/log-out-everywhere
    """,
    Right.READ: """
        GET /openapi.json
        GET /
        GET /flags
        GET /flags/{flag_id}
        GET /more
        GET /set-up
        GET /set-up/room
        GET /set-up/units
        GET /set-up/racks
        GET /set-up/racks/{rack_id}
        GET /set-up/shelves/{shelf_id}
        GET /set-up/trays
        GET /set-up/trays/{number}
        GET /set-up/lots
        GET /set-up/lots/{lot_id}
        GET /set-up/kit
        GET /set-up/kit/kit.pdf
        GET /set-up/shelf-camera
        GET /set-up/cameras
        GET /set-up/cameras/{camera_id}
        GET /room
        GET /room/written
        GET /runs/{run_id}
        GET /help
        GET /trays/{number}
        GET /trays/{number}/written
        GET /trays/{number}/place.jpg
        GET /charts/runs/{run_id}/{name}
        GET /snap
        GET /photos
        GET /photos/{photo_id}
        GET /photos/{photo_id}/result
        GET /print
        GET /print/round
        GET /print/labels
        GET /print/labels.css
        GET /print/report
        GET /print/report/{part}
        GET /charts/shelves
        GET /charts/shelves/{shelf_id}
        GET /shelves
        GET /shelves/{shelf_id}
        GET /api/today
        GET /api/room
        GET /api/room/history
        GET /api/trays
        GET /api/trays/{number}
        GET /api/trays/{number}/curve
        GET /api/trays/{number}/runs
        GET /api/trays/{number}/placements
        GET /api/shelves/{thing_id}/curves
        GET /api/runs
        GET /api/runs/{run_id}
        GET /api/runs/{run_id}/curve
        GET /api/runs/{run_id}/history
        GET /api/runs/{run_id}/harvests
        GET /api/photos
        GET /api/photos/{photo_id}
        GET /api/photos/{photo_id}/history
        GET /api/photos/{photo_id}/original
        GET /api/photos/{photo_id}/overlay
        GET /api/photos/{photo_id}/thumbnail
        GET /api/photos/{photo_id}/picture
        GET /api/photos/{photo_id}/trays/{number}/view
        GET /api/flags
        GET /api/flags/{flag_id}
        GET /api/flags/{flag_id}/evidence/now.jpg
        GET /api/flags/{flag_id}/evidence/before.jpg
        GET /api/verdicts
        GET /api/cameras
        GET /api/cameras/health
        GET /api/cameras/{thing_id}
        GET /api/cameras/{thing_id}/history
        GET /api/cameras/{camera_id}/health
        GET /api/notifications
        GET /api/people
        GET /api/people/{person_id}
    """
    + "".join(
        f"GET /api/{things}{rest}\n"
        for things in _THINGS
        for rest in ("", "/{thing_id}", "/{thing_id}/history")
    ),
    Right.SEND_PHOTOS: """
        POST /api/photos
    """,
    Right.WORK: """
        POST /undo
        GET POST /room/start
        GET POST /room/harvest
        GET POST /room/move
        POST /room/swap
        GET POST /room/states
        GET POST /room/new-tray
        GET POST /runs/{run_id}/harvest
        GET POST /runs/{run_id}/split
        POST /flags/{flag_id}/answer
        POST /readings
        POST /chores
        GET POST /chores/{chore_id}/done
        POST /snap
        POST /photos/{photo_id}/capture
        POST /photos/{photo_id}/inspect
        POST /photos/{photo_id}/trays
        POST /photos/{photo_id}/trays/{number}/withdraw
        POST /set-up/kit
        POST /set-up/racks
        POST /set-up/racks/{rack_id}
        POST /set-up/racks/{rack_id}/shelves
        POST /set-up/racks/{rack_id}/order
        POST /set-up/racks/{rack_id}/withdraw
        POST /set-up/shelves/{shelf_id}
        POST /set-up/shelves/{shelf_id}/positions
        POST /set-up/shelves/{shelf_id}/names
        POST /set-up/shelves/{shelf_id}/withdraw
        POST /set-up/trays
        POST /set-up/trays/{number}
        POST /set-up/lots
        POST /set-up/lots/{lot_id}
        POST /set-up/lots/{lot_id}/withdraw
        POST /set-up/cameras/{camera_id}/shot
        GET POST /entries/{kind}/{thing_id}
        POST /entries/{kind}/{thing_id}/withdraw
        GET POST /photos/{photo_id}/corners
        POST /api/trays
        PATCH /api/trays/{number}
        POST /api/trays/{number}/placements
        POST /api/trays/{number}/states
        POST /api/runs
        PATCH DELETE /api/runs/{run_id}
        POST /api/runs/{run_id}/harvests
        POST /api/runs/{run_id}/split
        PATCH /api/photos/{photo_id}
        POST /api/photos/{photo_id}/inspect
        POST /api/photos/{photo_id}/trays
        POST DELETE /api/photos/{photo_id}/corners
        DELETE /api/photos/{photo_id}/trays/{number}
        POST /api/cameras/{camera_id}/shot
        POST /api/flags/{flag_id}/snooze
        POST /api/flags/{flag_id}/done
        POST /api/flags/{flag_id}/verdict
        POST /api/racks
        POST /api/shelves
        POST /api/positions
        POST /api/lots
        POST /api/readings
        POST /api/chores
    """
    + "".join(f"PATCH DELETE /api/{things}/{{thing_id}}\n" for things in _THINGS),
    Right.OWN: """
        POST /set-up/room
        POST /set-up/units
        POST /set-up/cameras
        POST /set-up/cameras/{camera_id}
        POST /set-up/cameras/{camera_id}/token
        POST /set-up/cameras/{camera_id}/withdraw
        GET POST /set-up/people
        GET POST /set-up/people/{person_id}
        POST /set-up/people/{person_id}/password
        POST /set-up/people/{person_id}/log-out
        POST /set-up/people/{person_id}/sessions/{session_id}/end
        POST /set-up/people/{person_id}/tokens
        POST /set-up/tokens/{token_id}/revoke
        GET /set-up/phones
        GET POST /set-up/messages
        GET POST /set-up/messages/{target_id}
        POST /set-up/messages/{target_id}/test
        POST /set-up/messages/{target_id}/withdraw
        GET /set-up/data
        POST /set-up/data/backup
        POST /room/day-zero
        PATCH /api/room
        POST /api/people
        PATCH /api/people/{person_id}
        GET /api/people/{person_id}/history
        PUT /api/people/{person_id}/password
        GET /api/people/{person_id}/sessions
        DELETE /api/sessions/{session_id}
        GET POST /api/tokens
        DELETE /api/tokens/{token_id}
        POST /api/cameras
        PATCH DELETE /api/cameras/{thing_id}
        GET POST /api/notifications/targets
        GET PATCH DELETE /api/notifications/targets/{thing_id}
        GET /api/notifications/targets/{thing_id}/history
        POST /api/notifications/targets/{target_id}/test
        GET /api/export
        GET POST /api/backup
        GET /api/backup/{name}
        GET POST /api/retention
    """,
}


@lru_cache(maxsize=1)
def access_rules() -> dict[tuple[str, str], Right]:
    """The table: method and path as declared to the right that is needed.

    Raises
    ------
    ValueError
        If a path has two rules.
    """
    rules: dict[tuple[str, str], Right] = {}
    for right, lines in _TABLE.items():
        for line in filter(None, map(str.strip, lines.splitlines())):
            *methods, path = line.split()
            for method in methods:
                if (method, path) in rules:
                    raise ValueError(f"each path must have one rule, got two for {method} {path}")
                rules[method, path] = right
    return rules


def rights_needed(method: str, path: str) -> frozenset[Right]:
    """What is asked of whoever sends a request; the owner's right where no rule matches."""
    method = "GET" if method == "HEAD" else method
    needed = {
        right
        for pattern, right in _patterns().get(method, ())
        if pattern.fullmatch(path) is not None
    }
    return frozenset(needed) or frozenset({Right.OWN})


@lru_cache(maxsize=1)
def _patterns() -> dict[str, list[tuple[re.Pattern[str], Right]]]:
    patterns: dict[str, list[tuple[re.Pattern[str], Right]]] = {}
    for (method, path), right in access_rules().items():
        patterns.setdefault(method, []).append((compile_path(path)[0], right))
    return patterns
