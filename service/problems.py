"""Every error in one shape: problem details after RFC 9457, naming the field and the rule."""

import logging
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException

from service.refusals import Refusal

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


def problem_response(
    status: int,
    title: str,
    detail: str,
    *,
    errors: list[BrokenRule] | None = None,
    headers: dict[str, str] | None = None,
) -> JSONResponse:
    """A problem as a response."""
    problem = Problem(title=title, status=status, detail=detail, errors=errors or [])
    return JSONResponse(
        problem.model_dump(), status_code=status, headers=headers, media_type=PROBLEM_JSON
    )


def refusal_response(error: Refusal) -> JSONResponse:
    """A refusal as a response."""
    return problem_response(
        error.status,
        error.title,
        str(error),
        errors=[BrokenRule(field=error.field, rule=error.rule)],
        headers=dict(error.headers) or None,
    )


async def _refusal(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, Refusal)
    return refusal_response(error)


async def _invalid(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    broken = [
        BrokenRule(field=".".join(str(part) for part in one["loc"]), rule=_rule(one))
        for one in error.errors()
    ]
    detail = "; ".join(f"{one.field}: {one.rule}" for one in broken)
    return problem_response(422, "The request breaks a rule", detail, errors=broken)


def _rule(error: dict[str, Any]) -> str:
    message = str(error["msg"]).removeprefix("Value error, ")
    came = error.get("input")
    if isinstance(came, str | int | float | bool) and "got" not in message:
        return f"{message}, got {came!r}"[:500].encode("utf-8", "replace").decode()
    return message


async def _http(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    title = HTTPStatus(error.status_code).phrase
    detail = str(error.detail) if error.detail else title
    return problem_response(
        error.status_code, title, detail, headers=dict(error.headers or {}) or None
    )


async def _unforeseen(_request: Request, error: Exception) -> JSONResponse:
    _LOG.error("unforeseen error", exc_info=error)
    return problem_response(
        500,
        "The service failed",
        "Something went wrong here; what was acknowledged before is kept. Please try again.",
    )
