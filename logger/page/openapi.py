"""The OpenAPI document, made from the list of endpoints, so that it cannot say anything else than the routes do."""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from logger.page.api import Endpoint

QUERIES: Final[dict[str, dict[str, Any]]] = {
    "temperature": {
        "schema": {"type": "string", "enum": ["C", "F"]},
        "description": "Unit of temperatures; left out: as remembered, or as the run sheet was written.",
    },
    "length": {
        "schema": {"type": "string", "enum": ["mm", "in"]},
        "description": "Unit of lengths; left out: as remembered, or as the run sheet was written.",
    },
    "zone": {
        "schema": {"type": "string", "maxLength": 64},
        "description": "The reader's time zone, such as Europe/Oslo; one that is not known here is passed over.",
    },
    "ovens": {
        "name": "oven",
        "schema": {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 4},
        "description": "The oven of each run, in turn.",
        "required": True,
    },
    "runs": {
        "name": "run",
        "schema": {"type": "array", "items": {"type": "string"}, "minItems": 2, "maxItems": 4},
        "description": "The runs to put beside each other.",
        "required": True,
    },
    "align": {
        "schema": {"type": "string", "enum": ["start", "soak"]},
        "description": "The moment that is laid over the same moment of the others.",
    },
    "oven": {"schema": {"type": "string"}, "description": "One oven in full; left out: all of them in brief."},
    "buckets": {
        "schema": {"type": "integer", "minimum": 10, "maximum": 4000},
        "description": "How many columns can be told apart; each keeps its lowest and highest point.",
    },
    "from_s": {"schema": {"type": "number", "minimum": -1e9, "maximum": 1e9}, "description": "Run time [s]."},
    "to_s": {"schema": {"type": "number", "minimum": -1e9, "maximum": 1e9}, "description": "Run time [s]."},
    "caption": {"schema": {"type": "string", "maxLength": 2000}, "description": "What the photo shows."},
    "author": {"schema": {"type": "string", "maxLength": 80}, "description": "Who took it."},
}

FAULTS: Final = {
    "type": "object",
    "required": ["faults"],
    "properties": {
        "faults": {
            "type": "array",
            "minItems": 1,
            "items": {
                "type": "object",
                "required": ["where", "found", "expected"],
                "properties": {name: {"type": "string"} for name in ("where", "found", "expected")},
            },
        }
    },
}

REFUSALS: Final = {
    400: "A request that is no request",
    401: "Nobody is signed in",
    403: "Not allowed: another site, an old form token, or a guest",
    404: "No such oven, run or photo",
    409: "The daemon refuses: what is asked does not go now",
    413: "Too large",
    421: "A host name that is not this machine's",
    422: "Faults in what was given, every one of them",
    429: "Too many requests; Retry-After says when",
    503: "The outside world failed: the record cannot be read or written",
}


def openapi_document(endpoints: Iterable["Endpoint"]) -> dict[str, Any]:
    """The whole document as JSON holds it."""
    paths: dict[str, Any] = {}
    schemas: dict[str, Any] = {"Faults": FAULTS}
    for one in endpoints:
        paths.setdefault(one.path, {})[one.method.lower()] = _operation(one, schemas)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "soaktally",
            "version": "1",
            "license": {"name": "MIT", "identifier": "MIT"},
            "description": (
                "What the page uses. Reads only, besides notes, photos and requests, which are appended to the record; "
                "nothing here can change a reading or speak to a controller. Changing requests carry the session's "
                "form token in the header X-Form-Token, as GET /api/session gives it."
            ),
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": "soaktally-PORT"},
                "form token": {"type": "apiKey", "in": "header", "name": "X-Form-Token"},
            },
        },
        "security": [{"session": []}],
    }


def _operation(one: "Endpoint", schemas: dict[str, Any]) -> dict[str, Any]:
    summary = " ".join((one.handler.__doc__ or "").split())
    operation: dict[str, Any] = {
        "operationId": one.handler.__name__,
        "summary": summary,
        "parameters": [
            *(
                {"name": name, "in": "path", "required": True, "schema": {"type": "string", "minLength": 1}}
                for name in re.findall(r"\{(\w+)\}", one.path)
            ),
            *({"name": name, "in": "query", "required": False, **QUERIES[name]} for name in one.queries),
        ],
        "responses": {
            str(one.status): _answer(one),
            **({"202": _answer(one)} if one.body is not None and one.status == 200 else {}),
            **{
                str(status): {
                    "description": words,
                    "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Faults"}}},
                }
                for status, words in REFUSALS.items()
            },
        },
    }
    if one.body is not None:
        schema = one.body.model_json_schema(ref_template="#/components/schemas/{model}")
        schemas.update(schema.pop("$defs", {}))
        schemas[one.body.__name__] = schema
        content = {"application/json": {"schema": {"$ref": f"#/components/schemas/{one.body.__name__}"}}}
        operation["requestBody"] = {"required": True, "content": content}
    elif one.takes != "application/json":
        operation["requestBody"] = {
            "required": True,
            "content": {kind: {"schema": {"type": "string", "format": "binary"}} for kind in PHOTO_KINDS},
        }
    if one.method != "GET":
        operation["security"] = [{"session": [], "form token": []}]
    return operation


PHOTO_KINDS: Final = ("image/jpeg", "image/png", "image/webp")


def _answer(one: "Endpoint") -> dict[str, Any]:
    if one.status == 204:
        return {"description": "Done"}
    schema: dict[str, Any] = {"type": "object"} if one.answer == "application/json" else {"type": "string"}
    words = {201: "Kept"}.get(one.status, "As described; 202: asked, and not answered by the daemon yet")
    return {"description": words, "content": {one.answer: {"schema": schema}}}
