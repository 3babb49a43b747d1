"""Every error in one shape: problem details after RFC 9457, naming the field and the rule."""

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, Field
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection

from service.log.full_disk import is_full_disk, no_room
from service.log.plain_rules import rule_in_words, unread_body
from service.log.refusals import Refusal
from service.pages.errors import error_page, wants_page

PROBLEM_JSON = "application/problem+json"
_LOG = logging.getLogger(__name__)


class BrokenRule(BaseModel):
    """One field that breaks a rule."""

    field: str = Field(description="Where, such as body.spread_at or query.limit.")
    rule: str = Field(description="What must hold and what came.")


class Problem(BaseModel):
    """Problem details, RFC 9457."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    errors: list[BrokenRule] = []


RESPONSES: dict[int | str, dict[str, Any]] = {
    "4XX": {"model": Problem, "description": "The request cannot be followed."},
    "5XX": {"model": Problem, "description": "The service cannot follow now."},
}


def handle_problems(app: FastAPI) -> None:
    """Give every error of an application this shape."""
    app.add_exception_handler(Refusal, _refusal)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _unforeseen)
    # Those that are handled on their own do not end the connection.
    app.add_exception_handler(OSError, _unforeseen)
    app.add_exception_handler(DBAPIError, _unforeseen)


def problem_response(
    request: HTTPConnection, problem: Problem, headers: dict[str, str] | None = None
) -> Response:
    """A problem as a response: a page where a person asks for one, else a document."""
    if wants_page(request):
        return error_page(request, problem.status, problem.title, problem.detail, headers)
    return JSONResponse(
        problem.model_dump(), status_code=problem.status, headers=headers, media_type=PROBLEM_JSON
    )


def refusal_response(request: HTTPConnection, error: Refusal) -> Response:
    """A refusal as a response."""
    problem = Problem(
        title=error.title,
        status=error.status,
        detail=str(error),
        errors=[BrokenRule(field=error.field, rule=error.rule)],
    )
    return problem_response(request, problem, dict(error.headers) or None)


async def _refusal(request: Request, error: Exception) -> Response:
    assert isinstance(error, Refusal)
    return refusal_response(request, error)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    broken = [BrokenRule(field=_where(one), rule=rule_in_words(one)) for one in error.errors()]
    detail = "; ".join(f"{one.field}: {one.rule}" for one in broken)
    problem = Problem(title=Refusal.title, status=422, detail=detail, errors=broken)
    return problem_response(request, problem)


def _where(error: dict[str, Any]) -> str:
    """Such as body.spread_at; of a body that is no JSON the whole, since it has no fields."""
    loc = error["loc"][:1] if error["type"] == "json_invalid" else error["loc"]
    return ".".join(str(part) for part in loc)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    title = HTTPStatus(error.status_code).phrase
    detail, errors = str(error.detail) if error.detail else title, []
    if error.status_code == HTTPStatus.BAD_REQUEST:
        # Raised before any field of the body was looked at.
        errors = [BrokenRule(field="body", rule=unread_body(error.__cause__) or detail)]
        detail = f"body {errors[0].rule}"
    problem = Problem(title=title, status=error.status_code, detail=detail, errors=errors)
    return problem_response(request, problem, dict(error.headers or {}) or None)


async def _unforeseen(request: Request, error: Exception) -> Response:
    if is_full_disk(error):
        _LOG.error("the disk is full: %s", error)
        return refusal_response(request, no_room())
    _LOG.error("unforeseen error", exc_info=error)
    detail = "Something went wrong here; what was acknowledged before is kept. Please try again."
    problem = Problem(title="The service failed", status=500, detail=detail)
    # The server ends the connection, which a program would else take for its next request's fault.
    return problem_response(request, problem, {"Connection": "close"})
