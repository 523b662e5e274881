"""The whole API against its own description: Schemathesis makes the requests (bounded in count)."""

from __future__ import annotations

import warnings
from collections.abc import Callable

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance

from tests.web.conftest import House


@pytest.mark.slow
def test_no_request_that_fits_the_description_is_a_server_error(build: Callable[..., House]) -> None:
    house = build()
    description = schemathesis.openapi.from_wsgi("/openapi.json", house.app)
    headers = {"Authorization": f"Bearer {house.secret}"}
    tried = 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the generator's own; ours are errors everywhere else
        for result in description.get_all_operations():
            operation = result.ok()
            tried += _walk(operation.as_strategy(), headers)
    assert tried > 300


def _walk(strategy: object, headers: dict[str, str]) -> int:
    count = 0

    @settings(
        max_examples=12,
        deadline=None,
        database=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=strategy)  # type: ignore[arg-type]
    def run(case: schemathesis.Case) -> None:
        nonlocal count
        count += 1
        response = case.call(headers=headers)
        case.validate_response(
            response, checks=[not_a_server_error, content_type_conformance, response_schema_conformance]
        )

    run()
    return count
