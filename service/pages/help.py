"""Help: mounting the kit, taking a photo, mould or root hairs, what is meant and what not."""

from dataclasses import dataclass

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.pages import addresses
from service.pages.frame import show
from service.route_arguments import TheService
from trayvision.kit.words import BY_HAND, CARRIED, CAUTIONS, MOUNTING, PHOTO_ADVICE

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True)
class HelpPage:
    """The words of the kit's own guide, so that paper and page say the same.

    Parameters
    ----------
    mounting, photo_advice : pairs of a heading and its sentences
    by_hand, carried : str
    kit_cautions : sentences
    """

    mounting: tuple[tuple[str, str], ...] = MOUNTING
    photo_advice: tuple[tuple[str, str], ...] = PHOTO_ADVICE
    by_hand: str = BY_HAND
    carried: str = CARRIED
    kit_cautions: tuple[str, ...] = CAUTIONS


@router.get(addresses.HELP)
def help_page(service: TheService, request: Request) -> Response:
    """One page; its headings are what other pages link to."""
    with service.database.read() as connection:
        return show(request, connection, "help.html", HelpPage(), here=addresses.MORE)
