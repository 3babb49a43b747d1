"""How a chart stands in a page: a phone's or a desk's, by day or at night, as the browser asks."""

from dataclasses import dataclass
from hashlib import sha256

from starlette.requests import Request
from starlette.responses import Response

from service.chart_drawing import DRAWN_BY, draw, height_of
from service.charts import SHEETS, Chart, Size, Tone

# A chart may be opened alone; its styles are its own and it runs nothing.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"


@dataclass(frozen=True)
class Drawing:
    """One size and tone of a chart."""

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
    day, night : dict of size to Drawing
        Sizes "phone" and "desk".
    """

    alt: str
    day: dict[str, Drawing]
    night: dict[str, Drawing]


def chart_shown(chart: Chart, address: str, alt: str) -> ChartShown:
    """A chart at an address; sizes are told before it is loaded, so that nothing jumps."""
    address += "&" if "?" in address else "?"

    def drawings(tone: Tone) -> dict[str, Drawing]:
        return {
            str(size): Drawing(
                f"{address}size={size}&tone={tone}",
                SHEETS[size].width,
                height_of(chart, size),
            )
            for size in Size
        }

    return ChartShown(alt, drawings(Tone.DAY), drawings(Tone.NIGHT))


def answer_chart(request: Request, chart: Chart, size: Size, tone: Tone) -> Response:
    """A chart as an answer; who has it already is told so and nothing is drawn."""
    said = f"{DRAWN_BY} {size} {tone} {chart!r}"
    mark = f'"{sha256(said.encode()).hexdigest()[:24]}"'
    headers = {"ETag": mark, "Content-Security-Policy": _POLICY}
    known = [one.strip() for one in request.headers.get("if-none-match", "").split(",")]
    if mark in known or f"W/{mark}" in known:
        return Response(status_code=304, headers=headers)
    return Response(draw(chart, size, tone), media_type="image/svg+xml", headers=headers)
