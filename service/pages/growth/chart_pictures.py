"""How a chart stands in a page: a phone's or a desk's, as the browser asks."""

from dataclasses import dataclass
from hashlib import sha256

from starlette.requests import Request
from starlette.responses import Response

from service.chart_drawing import DRAWN_BY, draw, height_of
from service.charts import SHEETS, Chart, Size
from service.pictures_out import is_known

# A chart may be opened alone; its styles are its own and it runs nothing.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"


@dataclass(frozen=True)
class Drawing:
    """One size of a chart."""

    address: str
    width: int
    height: int


@dataclass(frozen=True)
class ChartShown:
    """A chart in a page.

    Parameters
    ----------
    alt : str
        What it shows.
    phone, desk : Drawing
    """

    alt: str
    phone: Drawing
    desk: Drawing


def chart_shown(chart: Chart, address: str, alt: str) -> ChartShown:
    """A chart at an address; sizes are told before it is loaded, so that nothing jumps."""
    address += "&" if "?" in address else "?"

    def drawing(size: Size) -> Drawing:
        return Drawing(f"{address}size={size}", SHEETS[size].width, height_of(chart, size))

    return ChartShown(alt, drawing(Size.PHONE), drawing(Size.DESK))


def answer_chart(request: Request, chart: Chart, size: Size) -> Response:
    """A chart as an answer; who has it already is told so and nothing is drawn."""
    said = f"{DRAWN_BY} {size} {chart!r}"
    mark = f'"{sha256(said.encode()).hexdigest()[:24]}"'
    headers = {"ETag": mark, "Content-Security-Policy": _POLICY}
    if is_known(request, mark):
        return Response(status_code=304, headers=headers)
    return Response(draw(chart, size), media_type="image/svg+xml", headers=headers)
