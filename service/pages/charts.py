"""Charts as pictures of their own, so that no page waits for them."""

from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.api.dependencies import TheService
from service.charts import Size, Tone
from service.growth import RoomGrowth
from service.models.base import LARGEST_ID
from service.pages.chart_pictures import answer_chart
from service.pages.growth_charts import run_chart, thermal_chart
from service.pages.tray_growth import normals_of
from service.pages.words import Say
from service.refusals import NotFound
from service.room_log import the_room
from service.run_calendar import span_of
from trayvision.growth_prior import Quantity

router = APIRouter(include_in_schema=False)

_Id = Annotated[int, Path(ge=1, le=LARGEST_ID)]


class RunChart(StrEnum):
    """Charts of a run."""

    HEIGHT = "height"
    COVER = "cover"
    THERMAL = "thermal"


_QUANTITIES = {RunChart.HEIGHT: Quantity.HEIGHT, RunChart.COVER: Quantity.COVER}


@router.get("/charts/runs/{run_id}/{name}")
def chart_of_run(
    service: TheService,
    request: Request,
    run_id: _Id,
    name: RunChart,
    size: Size = Size.PHONE,
    tone: Tone = Tone.DAY,
) -> Response:
    """Height, cover, or height over thermal time."""
    with service.database.read() as connection:
        say = Say(the_room(connection), service.clock())
        growth = RoomGrowth(connection, say.room, say.now)
        readings = growth.readings([span_of(connection, run_id)])[0]
        curves, normals = growth.curves(readings), normals_of(growth, readings)
    if name is RunChart.THERMAL:
        if curves.thermal is None:
            raise NotFound("chart", f"of thermal time for run {run_id}: no readings carry it")
        return answer_chart(request, thermal_chart(curves.thermal, say), size, tone)
    quantity = _QUANTITIES[name]
    chart = run_chart(curves, quantity, normals[quantity], say)
    return answer_chart(request, chart, size, tone)
