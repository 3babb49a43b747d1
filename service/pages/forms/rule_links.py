"""Rules that name a run, with a way to the run that they ask to correct."""

import re
from typing import Final

from markupsafe import Markup, escape

from service.pages import addresses

_NAMED_RUN: Final = re.compile(r"\brun (\d+) of (this tray|tray \d+)")


def leading_to_runs(rule: str) -> Markup:
    """A broken rule in which "run 13 of this tray" is a link to that run, without its number."""

    def link(found: re.Match[str]) -> str:
        return f'<a href="{addresses.run(int(found[1]))}">the run of {found[2]}</a>'

    return Markup(_NAMED_RUN.sub(link, str(escape(rule))))
