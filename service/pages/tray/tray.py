"""One tray's page: how it has gone."""

from dataclasses import dataclass
from typing import Annotated

import sqlalchemy as sa
from fastapi import APIRouter, Path, Query, Request
from pydantic import Field
from starlette.responses import Response

from service.flags.flag_log import flags_of_run
from service.flags.tray_patches import tray_patches
from service.growth.growth import RoomGrowth
from service.models.base import LARGEST_ID, Model
from service.models.flags import FlagOut, FlagState
from service.models.room import TrayState
from service.models.today import TrayOut
from service.pages import addresses
from service.pages.flags.near_looks import near_looks, near_words
from service.pages.frame import show
from service.pages.photos.measure_words import scored, why_it_asks
from service.pages.tray.stray_photo import StrayPhoto, stray_photo
from service.pages.tray.tray_actions import Actions, actions
from service.pages.tray.tray_growth import GrowthShown, growth_shown
from service.pages.tray.tray_patch_words import PatchesShown, patches_shown
from service.pages.tray.tray_photos import Timeline, timeline
from service.pages.tray.tray_words import (
    FlagShown,
    asking,
    became_words,
    flag_shown,
    happened_words,
    tray_answer,
)
from service.pages.words import Say
from service.photos.evidence_pictures import draw_place
from service.photos.inspection_log import tray_rows
from service.photos.photo_changes import picture
from service.photos.photo_log import capture_of
from service.pictures_out import jpeg
from service.room.room_log import Row, the_room, tray_numbered
from service.room.tray_history import PastRun, place_names, tray_history
from service.room.trays_now import TraysNow
from service.route_arguments import TheService
from service.runs.run_calendar import RunSpan, present_run, run_calendar, run_spans
from service.runs.run_places import source_of, taken_of
from trayvision.attention.flags import FlagKind
from trayvision.reference_kit import LAST_TRAY_NUMBER

router = APIRouter(include_in_schema=False)

_Number = Annotated[int, Path(ge=0, le=LAST_TRAY_NUMBER)]
_PhotoAsked = Annotated[int | None, Query(ge=1, le=LARGEST_ID)]
# More runs than that are shown where they are asked for.
_RUNS_AT_FIRST = 8


@dataclass(frozen=True)
class TrayPage:
    """A tray as its page shows it.

    Parameters
    ----------
    tray : TrayOut
    answer : str
        The first line.
    flags : tuple of FlagShown
        Open reasons to look, most urgent first.
    asking : tuple of tuple of str and str
        What else asks to look at it first, and where that is shown.
    near : tuple of str and str
        Which of its neighbours are to be looked at, empty where none is, and where that is shown.
    past_flags : tuple of FlagOut
        Of this run, settled.
    run_words : str
        Which run the photos and the growth below are of.
    photos : Timeline or None
    stray : StrayPhoto or None
        The last photo of a tray in which nothing grows, where it lies in no run.
    growth : GrowthShown or None
        None where no seed was ever spread in it.
    patches : PatchesShown or None
    history : tuple of PastRun
        The last one first.
    place : str
        Where it stands.
    more_runs : int
        Runs that are not shown.
    actions : Actions
        What can be written down of it.
    """

    tray: TrayOut
    answer: str
    flags: tuple[FlagShown, ...]
    asking: tuple[tuple[str, str], ...]
    near: tuple[str, str]
    past_flags: tuple[FlagOut, ...]
    run_words: str
    photos: Timeline | None
    stray: StrayPhoto | None
    growth: GrowthShown | None
    patches: PatchesShown | None
    history: tuple[PastRun, ...]
    place: str
    more_runs: int
    actions: Actions

    @property
    def mould(self) -> bool:
        """Whether the caution about possible mould applies."""
        asked = any(one.flag.kind == FlagKind.POSSIBLE_MOULD for one in self.flags)
        own = self.stray
        stray = own is not None and bool(own.level) and own.ended_run_id is None
        return asked or stray or self.tray.hold is not None or bool(self.asking)

    @staticmethod
    def happened(run: PastRun) -> str:
        """What became of a run."""
        return happened_words(run)

    @staticmethod
    def became(flag: FlagOut, say: Say) -> str:
        """What became of a flag."""
        return became_words(flag, say)


@router.get("/trays/{number}")
def tray_page(
    service: TheService,
    request: Request,
    number: _Number,
    photo: _PhotoAsked = None,
    drawn: bool = False,
    runs: Annotated[str, Query(max_length=10)] = "",
) -> Response:
    """Its photos, growth, patches, flags and history."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        row = tray_numbered(connection, number)
        now = TraysNow(connection, say.room, say.now)
        page = _page(connection, now, row, say, (photo, drawn, runs == "all"))
        return show(request, connection, "tray/tray.html", page, here=addresses.ROOM)


class PlaceAsked(Model):
    """A place of a tray in one of its photos, mm."""

    photo: int = Field(ge=1, le=LARGEST_ID)
    x: float = Field(ge=-2000, le=2000)
    y: float = Field(ge=-2000, le=2000)
    across: float = Field(gt=0, le=2000)


@router.get("/trays/{number}/place.jpg")
def place_picture(
    service: TheService, request: Request, number: _Number, asked: Annotated[PlaceAsked, Query()]
) -> Response:
    """One place of a tray in one photo, straight from above, ringed."""
    view = picture(service, asked.photo, f"tray-{number}.jpg")
    place = {"x_mm": asked.x, "y_mm": asked.y, "diameter_mm": asked.across}
    return jpeg(request, draw_place(view, place))


def _page(
    connection: sa.Connection,
    now: TraysNow,
    row: Row,
    say: Say,
    asked: tuple[int | None, bool, bool],
) -> TrayPage:
    photo, drawn, all_runs = asked
    tray, tray_id = now.tray_without_photo(row), row["id"]
    if photo is not None:
        # Of another run it is passed over; what never was is said.
        capture_of(connection, photo)
    growth = RoomGrowth(connection, say.room, say.now)
    spans = run_spans(connection, tray_id)
    span = present_run(spans, say.now) or (spans[-1] if spans else None)
    told = spans if all_runs else spans[-_RUNS_AT_FIRST:]
    history = tray_history(connection, told, room=say.room, now=say.now)
    own = () if span is None else tuple(flags_of_run(connection, span.id, say.now))
    readings = None if span is None else growth.readings([span])[0]
    shown = None if readings is None else growth_shown(growth, readings, say)
    rows = [] if readings is None else tray_rows(connection, [row["id"] for row in readings.rows])
    growing = tray.state is TrayState.GROWING
    stray = None if growing else stray_photo(connection, tray_id, tray.tray, span, say)
    return TrayPage(
        tray=tray,
        answer=tray_answer(
            tray,
            shown,
            say,
            photographed=bool(rows),
            newest=why_it_asks(scored(rows[-1]["record"]), say) if rows else "",
            stray="" if stray is None else stray.words,
        ),
        flags=tuple(flag_shown(flag, say) for flag in tray.flags),
        asking=() if tray.hold is not None else asking(tray, say),
        near=_near(now, tray) if growing else ("", ""),
        past_flags=tuple(flag for flag in own if flag.state is not FlagState.OPEN),
        run_words=_run_words(connection, tray, span, say),
        photos=None
        if span is None
        else timeline(connection, span, rows, say, asked=photo, drawn=drawn),
        stray=stray,
        growth=shown,
        patches=None if span is None else patches_shown(tray.tray, tray_patches(rows), own, say),
        history=history,
        place=_place(connection, tray),
        more_runs=len(spans) - len(history),
        actions=actions(connection, tray, say, back=addresses.tray(tray.tray)),
    )


def _near(now: TraysNow, tray: TrayOut) -> tuple[str, str]:
    looks = near_looks(now.open_flags(), now.holds()).get(tray.tray, ())
    return near_words(looks, tray.look_first), looks[0].address if looks else ""


def _run_words(connection: sa.Connection, tray: TrayOut, span: RunSpan | None, say: Say) -> str:
    if span is None:
        return ""
    words = []
    if tray.state is not TrayState.GROWING:
        assert span.ended_at is not None
        dates = f"spread {say.date(span.spread_at)} and ended {say.date(span.ended_at)}"
        words.append(f"Its last run, {dates}.")
    calendar = run_calendar(connection)
    source = source_of(calendar, span)
    if span.split_from_id is not None:
        of = "a tray" if source is None else f"tray {source.number}"
        words.append(f"A part of {of}, put into this one {say.moment(span.begins_at)}.")
    words += [
        f"A part of it was put into tray {part.number} {say.moment(part.begins_at)}."
        for part in taken_of(calendar, span)
    ]
    if span.whole_until is not None and span.whole_until <= say.now:
        since = say.moment(span.whole_until)
        words.append(f"Not a whole tray since {since}: cover and bare floor are not judged.")
    return " ".join(words)


def _place(connection: sa.Connection, tray: TrayOut) -> str:
    names = place_names(connection)
    where = names.get((tray.shelf_id, tray.position_id)) or names.get((tray.shelf_id, None))
    return where or "a place that is no more"
