"""The API: every address under /api, what it takes and what it answers. The page uses nothing else.

`ENDPOINTS` is the one list of them: the routes and the OpenAPI document are both made from it.
"""

import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Final, Literal

from sse_starlette import EventSourceResponse
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from logger.errors import Fault, InputFault
from logger.page import actions, worker
from logger.page.access import SESSION_S, Session, Sessions
from logger.page.bodies import Acknowledge, Body, FilledForm, Remark, SheetWords, SignIn, Start, Stop, taken
from logger.page.guard import TOKEN_HEADER, cookie_words, part_of, refused
from logger.page.reader import reader_of
from logger.page.recorded import entries, run_list, run_object, run_row
from logger.page.sheet_form import FIELDS, PURPOSES, checked, sheet_text
from logger.page.workshop import Workshop, workshop
from logger.requests import ACKNOWLEDGE, MARK, START, STOP
from logger.situation import Situation
from logger.units import DisplayUnits
from logger.views.cautions import CAUTIONS, DEFERRING, Moment
from logger.views.chart_object import BUCKETS, chart_object, temperature_object
from logger.views.comparison import compared, table_of
from logger.views.contract import review_object
from logger.views.run_views import run_view_of, snapshot_of
from logger.views.snapshot import aim_lines, facts, headline
from logger.views.wording import unbroken

MOST_BUCKETS: Final = 4000
WHAT_IF_KEPT_S: Final = 30.0
MOST_COMPARED: Final = 4

REPORT_POLICY: Final = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'self'; sandbox allow-popups allow-modals"
)
"""A report carries its style and its pictures inside, as it does when it is sent by mail; no script runs in it."""


def _number(request: Request, name: str, low: float, high: float, otherwise: float) -> float:
    """A number in the address. Raises InputFault."""
    words = request.query_params.get(name)
    if words is None:
        return otherwise
    try:
        value = float(words)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise InputFault(Fault(name, f'"{words[:20]}"', f"a number from {low:g} to {high:g}"))
    return value


async def _asked(shop: Workshop, oven: str, kind: str, **detail: str) -> Response:
    """What the daemon answers to a request: done, refused, or nothing within some seconds."""
    record = await run_in_threadpool(shop.sources.record_of, oven)
    asked, answer = await run_in_threadpool(
        lambda: actions.ask(record, kind, shop.answer_within_s, oven=oven, **detail)
    )
    if answer is None:
        return JSONResponse(
            {"request": asked, "done": None, "text": "The daemon has not answered yet.", "run": ""}, 202
        )
    if not answer.done:
        return refused(409, kind, answer.text, "something the daemon can do now")
    return JSONResponse({"request": asked, "done": True, "text": answer.text, "run": answer.run})


# --- handlers ---------------------------------------------------------------------------------------------------------


async def get_session(request: Request) -> Response:
    """Who is signed in, what they may do, and the token that changing requests carry."""
    session: Session | None = request.scope["session"]
    sessions: Sessions = request.scope["sessions"]
    return JSONResponse(
        {
            "signed_in": session is not None,
            "role": None if session is None else str(session.role),
            "password_needed": workshop(request).passwords.needed,
            "token_header": TOKEN_HEADER,
            "form_token": None if session is None else sessions.form_token(session),
        }
    )


async def sign_in(request: Request) -> Response:
    """Sign in with a password; wrong ones have to wait longer and longer."""
    shop, body = workshop(request), await taken(request, SignIn)
    place = request.client.host if request.client is not None else "unknown"
    wait_s = shop.guesses.wait_s(place, time.monotonic())
    if wait_s > 0.0:
        answer = refused(429, "password", "too many wrong ones", f"another try in {wait_s:.0f} s")
        answer.headers["retry-after"] = f"{wait_s + 0.5:.0f}"
        return answer
    async with shop.signing_in:  # one guess at a time: each takes memory
        role = await run_in_threadpool(shop.passwords.role_of, body.password)
    if role is None:
        shop.guesses.wrong(place, time.monotonic())
        return refused(403, "password", "a wrong one", "the owner's or the guest's password")
    shop.guesses.right(place)
    sessions: Sessions = request.scope["sessions"]
    session, cookie = sessions.begin(role, time.time())
    answer = JSONResponse({"role": str(role), "form_token": sessions.form_token(session)})
    secure = request.url.scheme == "https"
    answer.headers["set-cookie"] = cookie_words(request.app.state.cookie, cookie, secure, SESSION_S)
    return answer


async def sign_out(request: Request) -> Response:
    """Forget this browser."""
    answer = Response(status_code=204)
    answer.headers["set-cookie"] = cookie_words(request.app.state.cookie, "", False, 0.0)
    return answer


async def get_ovens(request: Request) -> Response:
    """Every oven in brief."""
    return JSONResponse({"ovens": list(workshop(request).feed.ovens(None, reader_of(request)).values())})


async def get_oven(request: Request) -> Response:
    """Everything that is true of one oven now, in words."""
    shop = workshop(request)
    return JSONResponse(shop.feed.object_of(shop.pinned(part_of(request, "oven")), reader_of(request)))


async def get_events(request: Request) -> Response:
    """Server-sent events: ``whole`` once, then ``change`` at most once a second, and ``pulse`` every few seconds."""
    shop, reader = workshop(request), reader_of(request)
    oven = request.query_params.get("oven")
    return EventSourceResponse(shop.feed.events(oven, reader), ping=3600, headers={"cache-control": "no-store"})


async def what_if(request: Request) -> Response:
    """What the steel would be: stopped now, held an hour more, held an hour more and 25 C hotter."""
    shop, reader = workshop(request), reader_of(request)
    oven = part_of(request, "oven")
    situation = shop.pinned(oven).situation
    if not isinstance(situation, Situation):
        raise InputFault(Fault("oven", f"no run in {oven}", "a run that goes on"))
    key = (f"{oven}\n{situation.run}", reader)
    made_s, answers = shop.what_ifs.get(key, (float("-inf"), {}))
    if time.monotonic() - made_s > WHAT_IF_KEPT_S:
        answers = await shop.worker.do(worker.what_if_answers, situation, reader)
        shop.what_ifs = {**dict(list(shop.what_ifs.items())[-15:]), key: (time.monotonic(), answers)}
    return JSONResponse(answers)


async def start(request: Request) -> Response:
    """Ask the daemon to start a run on an oven, from the words of a run sheet."""
    shop, body = workshop(request), await taken(request, Start)
    oven = part_of(request, "oven")
    judged = await run_in_threadpool(checked, body.sheet_text, body.sheet_name)
    if judged.faults:
        raise InputFault([fault for _, fault in judged.faults])
    return await _asked(shop, oven, START, sheet_name=body.sheet_name, sheet_text=body.sheet_text)


async def stop(request: Request) -> Response:
    """Ask the daemon to end the run that goes on. Only the watching ends: the oven heats on."""
    shop, body = workshop(request), await taken(request, Stop)
    oven = part_of(request, "oven")
    if shop.live(oven, body.run) is None:
        raise InputFault(Fault("run", f'"{body.run}"', "the run that goes on"))
    return await _asked(shop, oven, STOP, run=body.run, how="stopped")


async def acknowledge(request: Request) -> Response:
    """Say that somebody has seen an open alert: no more reminders of it."""
    shop, body = workshop(request), await taken(request, Acknowledge)
    oven = part_of(request, "oven")
    named = {(str(one.fact.kind), one.fact.key) for one in shop.pinned(oven).situation.open_alerts}
    if (body.kind, body.key) not in named:
        raise InputFault(Fault("alert", f'"{body.kind}" "{body.key}"', "an alert that is open"))
    return await _asked(shop, oven, ACKNOWLEDGE, alert=body.kind, key=body.key, who=body.who)


async def mark(request: Request) -> Response:
    """Mark this moment of the run that goes on, e.g. "opened the door"."""
    shop, body = workshop(request), await taken(request, Remark)
    oven = part_of(request, "oven")
    _, row = await run_in_threadpool(run_row, shop.sources, oven, part_of(request, "run"))
    if shop.live(oven, row.id) is None:
        raise InputFault(Fault("run", f'"{row.id}", which has ended', "the run that goes on; write a note instead"))
    return await _asked(shop, oven, MARK, run=row.id, text=body.text, author=body.author)


async def note(request: Request) -> Response:
    """Add a note about a whole run."""
    shop, body = workshop(request), await taken(request, Remark)
    record, row = await run_in_threadpool(run_row, shop.sources, part_of(request, "oven"), part_of(request, "run"))
    await run_in_threadpool(actions.add_note, record, row.id, body.text, body.author)
    return JSONResponse({"run": row.id}, 201)


async def add_photo(request: Request) -> Response:
    """Add a photo to a run: the body is the picture itself (JPEG, PNG or WebP)."""
    shop = workshop(request)
    caption, author = (request.query_params.get(name, "").strip() for name in ("caption", "author"))
    if len(caption) > actions.LONGEST_TEXT or len(author) > actions.LONGEST_NAME:
        raise InputFault(Fault("caption, author", "very long ones", f"at most {actions.LONGEST_TEXT} characters"))
    record, row = await run_in_threadpool(run_row, shop.sources, part_of(request, "oven"), part_of(request, "run"))
    content = await request.body()
    actions.refuse_unlikely_photo(content)
    cleaned = await shop.worker.do(worker.clean_photo, content)
    name = await run_in_threadpool(actions.keep_photo, record, row, cleaned, caption, author)
    return JSONResponse({"run": row.id, "file": name}, 201)


async def get_photo(request: Request) -> Response:
    """One photo of a run."""
    shop = workshop(request)
    record, row = await run_in_threadpool(run_row, shop.sources, part_of(request, "oven"), part_of(request, "run"))
    file = await run_in_threadpool(actions.photo_file, record, row.id, part_of(request, "name"))
    return FileResponse(file, media_type="image/jpeg")


async def get_runs(request: Request) -> Response:
    """Every recorded run, the newest first."""
    shop = workshop(request)
    return JSONResponse({"runs": await run_in_threadpool(run_list, shop.sources, reader_of(request), shop.peaks)})


async def get_run(request: Request) -> Response:
    """One run in words: where it stands or how it ended, its targets, and all that was noted."""
    shop, reader = workshop(request), reader_of(request)
    record, row, found = await shop.situation(part_of(request, "oven"), part_of(request, "run"))
    shown = reader.of(found)
    now = snapshot_of(shown, reader.zone)
    return JSONResponse(
        {
            **run_object(row, reader, found.estimate.thermal.peak_K),
            "headline": unbroken(headline(now)),
            "facts": [
                [one.label, unbroken(one.value), unbroken(one.note), str(one.severity or "")] for one in facts(now)
            ],
            "aims": [
                {"name": one.name, "value": unbroken(one.value), "outcome": unbroken(one.outcome), "share": one.share}
                for one in aim_lines(now)
            ],
            "entries": await run_in_threadpool(entries, record, row, reader),
            "sheet_text": row.sheet_text,
            "sheet_name": row.sheet_name,
            "software": row.software,
        }
    )


async def get_review(request: Request) -> Response:
    """The review of a run: the object that ``soaktally review --json`` prints."""
    _, _, found = await workshop(request).situation(part_of(request, "oven"), part_of(request, "run"))
    return JSONResponse(await run_in_threadpool(review_object, found))


async def get_chart(request: Request) -> Response:
    """All there is to draw about a run, traces thinned so that no peak is hidden."""
    shop, reader = workshop(request), reader_of(request)
    buckets = int(_number(request, "buckets", 10, MOST_BUCKETS, BUCKETS))
    _, _, found = await shop.situation(part_of(request, "oven"), part_of(request, "run"))

    def drawn() -> dict[str, Any]:
        shown = reader.of(found)
        return chart_object(run_view_of(shown, reader.zone), shown.problem.sheet.display, buckets)

    return JSONResponse(await run_in_threadpool(drawn))


async def get_temperature(request: Request) -> Response:
    """A piece of a run's temperatures with as much detail as can be shown."""
    shop, reader = workshop(request), reader_of(request)
    buckets = int(_number(request, "buckets", 10, MOST_BUCKETS, BUCKETS))
    from_s = _number(request, "from_s", -1e9, 1e9, 0.0)
    to_s = _number(request, "to_s", -1e9, 1e9, 1e9)
    _, _, found = await shop.situation(part_of(request, "oven"), part_of(request, "run"))

    def drawn() -> dict[str, Any]:
        shown = reader.of(found)
        view = run_view_of(shown, reader.zone).temperature
        return temperature_object(view, shown.problem.sheet.display, buckets, (from_s, to_s))

    return JSONResponse(await run_in_threadpool(drawn))


async def get_picture(request: Request) -> Response:
    """The picture of a run as PNG, for a page that cannot draw itself."""
    shop, reader = workshop(request), reader_of(request)
    record, row = await run_in_threadpool(run_row, shop.sources, part_of(request, "oven"), part_of(request, "run"))
    return Response(await shop.worker.do(worker.picture, record, row.id, reader), media_type="image/png")


async def get_report(request: Request) -> Response:
    """The report of a run, photos included: one HTML page that needs nothing else and runs no script."""
    content = await _report(request, "html")
    return Response(content, media_type="text/html; charset=utf-8", headers={"content-security-policy": REPORT_POLICY})


async def get_report_pdf(request: Request) -> Response:
    """The report of a run as a PDF of one page."""
    return Response(await _report(request, "pdf"), media_type="application/pdf")


async def _report(request: Request, kind: Literal["html", "pdf"]) -> bytes:
    shop, reader = workshop(request), reader_of(request)
    record, row = await run_in_threadpool(run_row, shop.sources, part_of(request, "oven"), part_of(request, "run"))
    return await shop.worker.do(worker.report, record, row.id, reader, kind)


async def get_comparison(request: Request) -> Response:
    """Two or more runs beside each other: ``oven`` and ``run`` of each in turn; ``align`` at their start or soak."""
    shop, reader = workshop(request), reader_of(request)
    ovens, runs = (request.query_params.getlist(name) for name in ("oven", "run"))
    align = request.query_params.get("align", "start")
    if len(ovens) != len(runs) or not 2 <= len(runs) <= MOST_COMPARED:
        expected = f"2 to {MOST_COMPARED} runs, each with its oven"
        raise InputFault(Fault("oven, run", f"{len(ovens)} ovens and {len(runs)} runs", expected))
    if align not in ("start", "soak"):
        raise InputFault(Fault("align", f'"{align[:20]}"', "start or soak"))
    found = [(await shop.situation(oven, run))[1:] for oven, run in zip(ovens, runs, strict=True)]

    def beside() -> dict[str, Any]:
        named = [(row.id, reader.of(situation)) for row, situation in found]
        comparison = compared(named, "soak" if align == "soak" else "start", zone=reader.zone)
        head, rows = table_of(comparison)
        return {
            "runs": [
                {
                    "letter": one.letter,
                    "oven": row.oven,
                    "run": row.id,
                    "name": one.situation.name,
                    "headline": unbroken(headline(snapshot_of(one.situation, reader.zone))),
                    "align_s": one.align_s,
                }
                for one, (row, _) in zip(comparison.runs, found, strict=True)
            ],
            "head": head,
            "rows": rows,
        }

    return JSONResponse(await run_in_threadpool(beside))


async def get_form(request: Request) -> Response:
    """The start form: its fields, and the units beside them."""
    units = reader_of(request).units(DisplayUnits())
    return JSONResponse(
        {
            "purposes": list(PURPOSES),
            "units": {"temperature": units.temperature, "length": units.length},
            "fields": [
                {
                    "name": one.name,
                    "label": one.label,
                    "hint": one.hint,
                    "kind": one.kind,
                    "choices": list(one.choices),
                    "shown_for": one.shown_for,
                }
                for one in FIELDS
            ],
        }
    )


async def check_form(request: Request) -> Response:
    """A filled-in start form as a run sheet, with every fault the file would have."""
    body, units = await taken(request, FilledForm), reader_of(request).units(DisplayUnits())
    return JSONResponse((await run_in_threadpool(lambda: checked(sheet_text(body.filled, units)))).plain())


async def check_sheet(request: Request) -> Response:
    """Every fault in the words of a run sheet."""
    body = await taken(request, SheetWords)
    return JSONResponse((await run_in_threadpool(checked, body.sheet_text)).plain())


async def get_cautions(request: Request) -> Response:
    """What to mind at each moment, and to whom it defers."""
    return JSONResponse({"cautions": {str(moment): CAUTIONS[moment] for moment in Moment}, "deferring": DEFERRING})


async def get_openapi(request: Request) -> Response:
    """This document."""
    from logger.page.openapi import openapi_document

    return JSONResponse(openapi_document(ENDPOINTS))


# --- the list ---------------------------------------------------------------------------------------------------------

Handler = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One address: how it is asked, what it takes, what it answers."""

    method: str
    path: str
    handler: Handler
    body: type[Body] | None = None
    answer: str = "application/json"
    status: int = 200
    queries: tuple[str, ...] = ()
    takes: str = "application/json"


READING = ("temperature", "length", "zone")
_OVEN, _RUN = "/api/ovens/{oven}", "/api/ovens/{oven}/runs/{run}"

ENDPOINTS: Final[tuple[Endpoint, ...]] = (
    Endpoint("GET", "/api/session", get_session),
    Endpoint("POST", "/api/session", sign_in, SignIn),
    Endpoint("DELETE", "/api/session", sign_out, status=204),
    Endpoint("GET", "/api/ovens", get_ovens, queries=READING),
    Endpoint("GET", _OVEN, get_oven, queries=READING),
    Endpoint("GET", "/api/events", get_events, answer="text/event-stream", queries=("oven", *READING)),
    Endpoint("GET", f"{_OVEN}/what-if", what_if, queries=READING),
    Endpoint("POST", f"{_OVEN}/start", start, Start),
    Endpoint("POST", f"{_OVEN}/stop", stop, Stop),
    Endpoint("POST", f"{_OVEN}/acknowledge", acknowledge, Acknowledge),
    Endpoint("GET", "/api/runs", get_runs, queries=READING),
    Endpoint("GET", _RUN, get_run, queries=READING),
    Endpoint("GET", f"{_RUN}/review", get_review),
    Endpoint("GET", f"{_RUN}/chart", get_chart, queries=("buckets", *READING)),
    Endpoint("GET", f"{_RUN}/temperature", get_temperature, queries=("from_s", "to_s", "buckets", *READING)),
    Endpoint("GET", f"{_RUN}/picture", get_picture, answer="image/png", queries=READING),
    Endpoint("GET", f"{_RUN}/report", get_report, answer="text/html", queries=READING),
    Endpoint("GET", f"{_RUN}/report.pdf", get_report_pdf, answer="application/pdf", queries=READING),
    Endpoint("GET", "/api/comparison", get_comparison, queries=("ovens", "runs", "align", *READING)),
    Endpoint("POST", f"{_RUN}/marks", mark, Remark),
    Endpoint("POST", f"{_RUN}/notes", note, Remark, status=201),
    Endpoint("POST", f"{_RUN}/photos", add_photo, status=201, queries=("caption", "author"), takes="image/*"),
    Endpoint("GET", f"{_RUN}/photos/{{name}}", get_photo, answer="image/jpeg"),
    Endpoint("GET", "/api/sheets/form", get_form, queries=READING[:2]),
    Endpoint("POST", "/api/sheets/form", check_form, FilledForm, queries=READING[:2]),
    Endpoint("POST", "/api/sheets/check", check_sheet, SheetWords),
    Endpoint("GET", "/api/cautions", get_cautions),
    Endpoint("GET", "/api/openapi.json", get_openapi),
)
