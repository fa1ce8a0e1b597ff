"""The screens: what a browser is sent first. The first sentence is already in it; everything after comes by the API."""

from collections.abc import Awaitable, Callable
from functools import cache
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from logger.page.access import Session
from logger.page.assets import HERE, Assets
from logger.page.guard import part_of
from logger.page.reader import reader_of
from logger.page.recorded import run_row
from logger.page.workshop import workshop
from logger.views.cautions import CAUTIONS, DEFERRING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def _templates() -> "Environment":
    """The templates, made when somebody first opens a screen."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    templates = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters["address"] = lambda words: quote(words, safe="")
    return templates


def _shown(request: Request, template: str, status: int = 200, **values: Any) -> Response:
    assets: Assets = request.app.state.assets
    session: Session | None = request.scope.get("session")
    shop = workshop(request)
    html = (
        _templates()
        .get_template(template)
        .render(
            version=assets.version,
            has_charts=assets.has_charts,
            role="" if session is None else str(session.role),
            password_needed=shop.passwords.needed,
            cautions={moment.name: words for moment, words in CAUTIONS.items()},
            deferring=DEFERRING,
            **values,
        )
    )
    return HTMLResponse(html, status)


async def home(request: Request) -> Response:
    """Every oven; where there is only one, that one."""
    shop = workshop(request)
    ovens = list(shop.feed.ovens(None, reader_of(request)).values())
    names = sorted({*shop.sources.records, *(one["oven"] for one in ovens)})
    if len(names) == 1:
        return RedirectResponse(f"/ovens/{quote(names[0], safe='')}", 302)
    waiting = [name for name in names if name not in {one["oven"] for one in ovens}]
    return _shown(request, "ovens.html", ovens=ovens, waiting=waiting)


async def oven(request: Request) -> Response:
    """One oven: first glance, pictures, actions."""
    shop, name = workshop(request), part_of(request, "oven")
    pinned = shop.sources.board.latest(name)
    if pinned is None:
        shop.sources.record_of(name)  # a name that is no oven's is refused
        return _shown(request, "waiting.html", oven=name)
    said = shop.feed.object_of(pinned, reader_of(request))
    return _shown(request, "oven.html", oven=name, said=said, several=len(shop.sources.records) > 1)


async def start(request: Request) -> Response:
    """The form that starts a run."""
    shop, name = workshop(request), part_of(request, "oven")
    shop.sources.record_of(name)
    return _shown(request, "start.html", oven=name)


async def runs(request: Request) -> Response:
    """The list of runs."""
    return _shown(request, "runs.html")


async def run(request: Request) -> Response:
    """One run."""
    shop, name = workshop(request), part_of(request, "oven")
    _, row = run_row(shop.sources, name, part_of(request, "run"))
    return _shown(request, "run.html", oven=name, row=row)


async def overlay(request: Request) -> Response:
    """Two runs, one over the other."""
    return _shown(request, "overlay.html")


async def sign_in(request: Request) -> Response:
    """Where the password is asked for."""
    return _shown(request, "sign_in.html")


def screen_refusal(request: Request, status: int, words: str) -> Response:
    """A screen that says what is wrong."""
    return _shown(request, "refusal.html", status, words=words)


Screen = Callable[[Request], Awaitable[Response]]

SCREENS: Final[tuple[tuple[str, Screen], ...]] = (
    ("/", home),
    ("/ovens/{oven}", oven),
    ("/ovens/{oven}/start", start),
    ("/runs", runs),
    ("/ovens/{oven}/runs/{run}", run),
    ("/overlay", overlay),
    ("/sign-in", sign_in),
)
