"""The whole page as one ASGI application: the API, the screens, the static files, and the gate around them."""

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any, Final

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from logger.errors import Fault, InputFault, OutsideFault
from logger.page.access import Passwords
from logger.page.actions import LARGEST_PHOTO
from logger.page.api import ENDPOINTS
from logger.page.assets import Assets
from logger.page.guard import Guard, TooLarge, part_of, refused
from logger.page.live import Feed
from logger.page.reader import reader_of
from logger.page.recorded import NotThere, Sources
from logger.page.screens import SCREENS, screen_refusal
from logger.page.worker import Worker
from logger.page.workshop import Workshop
from logger.units import DisplayUnits

LARGE: Final = {"photos": LARGEST_PHOTO + 1024}
"""Addresses that may be sent more than a form, by how they end."""

FOR_GOOD: Final = "public, max-age=31536000, immutable"


def build_app(
    sources: Sources,
    passwords: Passwords,
    assets: Assets,
    *,
    cookie: str,
    hosts: frozenset[str],
    any_address: bool,
    answer_within_s: float,
) -> tuple[ASGIApp, Workshop]:
    """The application, and what its handlers share.

    Parameters
    ----------
    sources : the board and the records
    passwords : who may use it
    assets : what it is made of
    cookie : the name of the session's cookie
    hosts : names of this machine by which it may be asked for
    any_address : whether bare network addresses will do as well
    answer_within_s : how long the daemon has for answering a request [s]
    """
    workshop = Workshop(sources, passwords, Feed(sources.board), Worker(), answer_within_s)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        import asyncio

        workshop.feed.start(asyncio.get_running_loop())
        yield
        workshop.feed.stop()
        workshop.worker.stop(kill=True)

    app = Starlette(
        routes=[
            *(Route(one.path, one.handler, methods=[one.method]) for one in ENDPOINTS),
            *(Route(path, screen, methods=["GET"]) for path, screen in SCREENS),
            Route("/static/{version}/{name}", static),
            Route("/favicon.ico", favicon),
        ],
        exception_handlers=HANDLERS,
        lifespan=lifespan,
    )
    app.state.workshop, app.state.assets, app.state.cookie = workshop, assets, cookie
    guarded = Guard(
        GZipMiddleware(app, minimum_size=500, compresslevel=5),
        passwords=passwords,
        cookie=cookie,
        hosts=hosts,
        any_address=any_address,
        large=LARGE,
    )
    return guarded, workshop


async def static(request: Request) -> Response:
    """One file of the page, compressed beforehand."""
    assets: Assets = request.app.state.assets
    asset = assets.files.get(part_of(request, "name"))
    if asset is None or part_of(request, "version") != assets.version:
        return refused(404, "file", "no such file", "a file of this page")
    packed = "gzip" in request.headers.get("accept-encoding", "")
    headers = {"cache-control": FOR_GOOD, "vary": "accept-encoding"}
    if packed:
        headers["content-encoding"] = "gzip"
    return Response(asset.compressed if packed else asset.plain, media_type=asset.kind, headers=headers)


async def favicon(request: Request) -> Response:
    """Browsers ask for it unasked."""
    assets: Assets = request.app.state.assets
    return RedirectResponse(f"/static/{assets.version}/icon.svg", 308)


async def _input_fault(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, InputFault)
    status = 404 if isinstance(fault, NotThere) else 422
    if not request.url.path.startswith("/api/"):
        return screen_refusal(request, status, "\n".join(str(one) for one in _told(request, fault)))
    faults = [{"where": one.where, "found": one.found, "expected": one.expected} for one in _told(request, fault)]
    return JSONResponse({"faults": faults}, status)


def _told(request: Request, fault: InputFault) -> tuple[Fault, ...]:
    """The faults in the reader's units, as far as the request names any that exist."""
    try:
        reader = reader_of(request)
    except InputFault:
        return fault.faults
    if reader.temperature is None and reader.length is None:
        return fault.faults
    return tuple(one.said(reader.units(DisplayUnits())) for one in fault.faults)


async def _outside_fault(request: Request, fault: Exception) -> Response:
    if not request.url.path.startswith("/api/"):
        return screen_refusal(request, 503, str(fault))
    return refused(503, "outside", str(fault), "a record that can be read and written")


async def _too_large(request: Request, fault: Exception) -> Response:
    return refused(413, "request", "more than it said", "less")


async def _http(request: Request, fault: Exception) -> Response:
    assert isinstance(fault, HTTPException)
    if not request.url.path.startswith("/api/") and fault.status_code == 404:
        return screen_refusal(request, 404, "There is no such page here.")
    answer = refused(fault.status_code, "request", f"{request.method} {request.url.path[:80]}", fault.detail)
    answer.headers.update(fault.headers or {})
    return answer


HANDLERS: Final[Mapping[Any, Any]] = {
    InputFault: _input_fault,
    OutsideFault: _outside_fault,
    TooLarge: _too_large,
    HTTPException: _http,
}
