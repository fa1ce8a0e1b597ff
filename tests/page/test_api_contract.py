"""The API against its own document: whatever is sent, the answer is one of those described, never a mistake of ours.

Cases are made by schemathesis from the OpenAPI document, sound ones and broken ones, and sent to a real server.
"""

import time
from collections.abc import Iterator

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import Case, GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from logger.page.access import Role, Sessions
from logger.page.api import ENDPOINTS, Endpoint
from logger.page.guard import TOKEN_HEADER
from logger.page.openapi import openapi_document
from logger.page.server import Page
from tests.page.browser import page_of
from tests.page.workshop import OVEN, Workshop, make_workshop

pytestmark = pytest.mark.slow

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
SCHEMA = schemathesis.openapi.from_dict(openapi_document(ENDPOINTS))
ENDLESS = "/api/events"
PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return make_workshop(tmp_path_factory.mktemp("contract"))


@pytest.fixture(scope="module")
def served(workshop: Workshop) -> Iterator[Page]:
    with page_of(workshop.board, {OVEN: workshop.record}, answer_within_s=0.1) as page:
        yield page


@pytest.mark.parametrize(
    "endpoint", [one for one in ENDPOINTS if one.path != ENDLESS], ids=lambda one: f"{one.method} {one.path}"
)
@pytest.mark.parametrize("mode", list(GenerationMode), ids=str)
def test_every_answer_is_one_of_those_described(
    served: Page, workshop: Workshop, endpoint: Endpoint, mode: GenerationMode
) -> None:
    operation = SCHEMA[endpoint.path][endpoint.method]
    sessions = Sessions(served.secret)

    examples = 4 if endpoint.answer in ("application/json", "image/jpeg") else 2  # the others draw for a while

    @settings(
        max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True, database=None
    )
    @given(case=operation.as_strategy(generation_mode=mode), there=st.booleans())
    def one_after_another(case: Case, there: bool) -> None:
        if there:  # half of the cases go to what exists
            case.path_parameters.update({"oven": OVEN, "run": workshop.ended} if "run" in case.path_parameters else {})
        session, cookie = sessions.begin(Role.OWNER, time.time())
        case.call_and_validate(
            base_url=served.address.rstrip("/"),
            checks=CHECKS,
            headers={TOKEN_HEADER: sessions.form_token(session)},
            cookies={served.cookie: cookie},
            timeout=PATIENCE_S,
        )

    one_after_another()
