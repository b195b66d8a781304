"""The published document: a public validator passes it, and a public fuzzer finds nothing that it does not say.

Validator: openapi-spec-validator. Fuzzer: schemathesis, which makes requests from the document, good and bad
ones, and compares every answer (status, content type, headers, body against its schema) with what the document says.
"""

from __future__ import annotations

import pytest
import schemathesis
from asleft.store.accounts import Role
from asleft.web.access import programs
from asleft.web.access.visitor import digest_of
from asleft.web.api import answers
from asleft.web.api.routes import RESOURCES, ROOT, Resource, document
from asleft.web.app import create_app
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.strategies import booleans
from openapi_spec_validator import OpenAPIV31SpecValidator, validate
from openapi_spec_validator.validation.exceptions import OpenAPIValidationError
from schemathesis.checks import CHECKS
from schemathesis.core.failures import FailureGroup

V = "press-2.clamp"


HEADERS = {"Authorization": "Bearer secret", "Accept-Encoding": "identity"}


@pytest.fixture
def app(plant, door, doors, monkeypatch):
    monkeypatch.setattr(programs.Rates, "wait_s", lambda *_: 0.0)  # what is fuzzed here is what lies behind it
    door.add_one_of_each()
    now = door.clock_ns()
    door.store.tokens.add("fuzzer", digest_of("secret"), Role.VIEWER, None, now + 10**15, doors.CHIEF, now)
    return create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server


@pytest.fixture
def schema(app):
    return schemathesis.openapi.from_wsgi(f"{ROOT}/openapi.json", app, headers=HEADERS)


def test_the_document_is_one(app):
    published = app.test_client().get(f"{ROOT}/openapi.json", headers=HEADERS).get_json()
    validate(published, cls=OpenAPIV31SpecValidator)
    assert published["openapi"].startswith("3.1")
    assert len(published["paths"]) == len(RESOURCES) + 1
    for path in published["paths"].values():
        assert set(path) == {"get"}


def test_the_validator_would_notice():
    broken = document("1")
    broken["paths"]["/x"] = {"get": {"responses": {"200": {}}}}
    with pytest.raises(OpenAPIValidationError):
        validate(broken, cls=OpenAPIV31SpecValidator)


def test_every_operation_says_form_and_role():
    for path, methods in document("1")["paths"].items():
        if not path.endswith("openapi.json"):
            assert "version 1. For a viewer" in methods["get"]["description"]
            assert "#/components/responses/Wrong" in methods["get"]["responses"]["401"]["$ref"]


def fuzz(operation, asked: set) -> None:
    """Ask as the fuzzer would have it; what was answered goes into `asked`."""

    @settings(
        max_examples=25, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(), known=booleans())
    def ask(case, known):
        if known and "{valve}" in case.operation.path:
            case.path_parameters["valve"] = V  # else nearly every address would lead nowhere
        # No schema says which cursor an answer has given, or that `from` lies before `to`: a good one may be refused.
        refused_good = CHECKS.get_one("positive_data_acceptance")
        answer = case.call_and_validate(headers=HEADERS, excluded_checks=[refused_good])
        asked.add((case.operation.path, answer.status_code))

    ask()


def test_a_fuzzer_finds_nothing_that_the_document_does_not_say(schema):
    asked: set[tuple[str, int]] = set()
    for found in schema.get_all_operations():
        fuzz(found.ok(), asked)
    assert {path for path, _ in asked} == set(schema.raw_schema["paths"]) - {
        f"{ROOT}/openapi.json"
    }  # which it leaves out
    assert {200, 400, 404} <= {status for _, status in asked}


def test_the_fuzzer_would_notice(schema, monkeypatch):
    case = schema[f"{ROOT}/sheets"]["GET"].Case()
    case.call_and_validate(headers=HEADERS)
    monkeypatch.setattr(Resource, "form", property(lambda row: answers.Form(row.name, "one")))
    with pytest.raises(FailureGroup, match=r"violates schema|sub-exception"):
        case.call_and_validate(headers=HEADERS)
