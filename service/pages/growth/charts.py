"""Charts as pictures of their own, so that no page waits for them."""

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.charts import Chart, Size
from service.growth.growth import RoomGrowth
from service.growth.run_series import RunReadings
from service.log.refusals import NotFound
from service.models.base import LARGEST_ID
from service.models.growth import RunCurves
from service.pages.growth.chart_pictures import answer_chart
from service.pages.growth.curve_kinds import CurveKind, course_of
from service.pages.growth.growth_charts import run_chart
from service.pages.tray.tray_growth import normals_of, thermal_normals_of
from service.pages.tray.tray_warmth import warmth_chart
from service.pages.words import Say
from service.room.room_log import the_room
from service.route_arguments import TheService
from service.runs.run_calendar import span_of

router = APIRouter(include_in_schema=False)

_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]


@router.get("/charts/runs/{run_id}/{name}")
def chart_of_run(
    service: TheService,
    request: Request,
    run_id: _Id,
    name: CurveKind,
    size: Size = Size.PHONE,
) -> Response:
    """Height or cover, by age or by warmth."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        growth = RoomGrowth(connection, say.room, say.now)
        readings = growth.readings([span_of(connection, run_id)])[0]
        curves = growth.curves(readings)
        chart = _chart(growth, readings, curves, name, say)
    return answer_chart(request, chart, size)


def _chart(
    growth: RoomGrowth, readings: RunReadings, curves: RunCurves, kind: CurveKind, say: Say
) -> Chart:
    if not kind.by_warmth:
        normal = normals_of(growth, readings)[kind.quantity]
        return run_chart(curves, kind.quantity, normal, say)
    course = course_of(curves, kind)
    if course is None:
        raise NotFound("chart", f"of thermal time for run {curves.run_id}: no readings carry it")
    return warmth_chart(kind, course, thermal_normals_of(growth, readings)[kind], say)
