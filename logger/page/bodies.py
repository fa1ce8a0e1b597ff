"""What requests to the page carry, each kind with its limits; anything else is refused with every fault named."""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.requests import Request

from logger.errors import Fault, InputFault
from logger.page import actions
from logger.page.guard import body_of
from logger.page.sheet_form import LONGEST_SHEET

ShortText = Annotated[str, Field(max_length=actions.LONGEST_NAME)]
LongText = Annotated[str, Field(min_length=1, max_length=actions.LONGEST_TEXT)]


class Body(BaseModel):
    """What a request carries: nothing beyond what is named."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, strict=True)


class SignIn(Body):
    """A password."""

    password: Annotated[str, Field(max_length=1000)]


class Start(Body):
    """A run to start: the words of its run sheet, and what the sheet is called."""

    sheet_text: Annotated[str, Field(max_length=LONGEST_SHEET)]
    sheet_name: Annotated[str, Field(min_length=1, max_length=actions.LONGEST_NAME)] = "sheet"


class Stop(Body):
    """The run to end; it must be the one that goes on."""

    run: ShortText


class Acknowledge(Body):
    """An open alert, as the oven's object names it, and who has seen it."""

    kind: ShortText
    key: Annotated[str, Field(max_length=200)]
    who: ShortText = ""


class Remark(Body):
    """A note or a mark: what to write down, and who says so."""

    text: LongText
    author: ShortText = ""


class SheetWords(Body):
    """The words of a run sheet."""

    sheet_text: Annotated[str, Field(max_length=LONGEST_SHEET)]


class FilledForm(Body):
    """The start form as filled in: by field name. Units beside the fields as the reader has them."""

    filled: dict[ShortText, Annotated[str, Field(max_length=500)]]


async def taken(request: Request, kind: type[Body]) -> Any:
    """The body of a request as one of the kinds above.

    Raises   InputFault   every fault in it
    """
    try:
        content = body_of(await request.body())
    except ValueError:
        raise InputFault(Fault("request", "no JSON", f"a JSON object: {(kind.__doc__ or '').strip()}")) from None
    try:
        return kind.model_validate(content)
    except ValidationError as error:
        raise InputFault(
            Fault(".".join(str(step) for step in one["loc"]) or "request", _found(one["input"]), _expected(one["msg"]))
            for one in error.errors(include_url=False, include_context=False)
        ) from None


def _found(value: Any) -> str:
    words = "nothing" if value is None else repr(value)
    return words if len(words) <= 60 else f"{words[:57]}..."


def _expected(message: str) -> str:
    return message[:1].lower() + message[1:]
