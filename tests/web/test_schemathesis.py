"""The whole API against its own description: Schemathesis makes the requests (bounded in count).

Asked by a machine with every scope, and by each kind of staff in turn, about the patient
who is there: most of what can go wrong lies behind a record that is found.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

import pytest
import schemathesis
from flask.testing import FlaskClient
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance

from service.domain import readings
from service.domain.vocabulary import Role
from tests.web.conftest import House
from tests.web.test_api_edges import with_form_token


@pytest.mark.slow
def test_no_request_that_fits_the_description_is_a_server_error(
    build: Callable[..., House], monkeypatch: pytest.MonkeyPatch
) -> None:
    house = build()
    # A reading of decades ago has all evenings since worked out anew by each page that is opened before a worker comes.
    monkeypatch.setattr(readings, "EARLIEST", house.clock.now() - timedelta(days=400))
    description = schemathesis.openapi.from_wsgi("/openapi.json", house.app)
    callers = [Asks(house.app.test_client(), {"Authorization": f"Bearer {house.secret}"})]
    for role in Role:
        browser = house.staff(role)
        callers.append(Asks(browser, with_form_token(house.app, browser)))
    tried = 0
    seen: set[int] = set()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the generator's own; ours are errors everywhere else
        for result in description.get_all_operations():
            operation = result.ok()
            tried += _walk(operation.as_strategy(), callers, house, seen)
    assert tried > 150
    assert {200, 201, 403, 404, 422} <= seen  # it reached what it asks about, and was told no by each kind of no


@dataclass
class Asks:
    """One who asks: a browser's cookies, or a machine's header."""

    client: FlaskClient
    headers: dict[str, str]

    def ask(self, case: schemathesis.Case) -> schemathesis.Response:
        cookie = self.client.get_cookie("neaptide")
        cookies = {} if cookie is None else {"neaptide": cookie.value}
        # As it is: what calls an application in this process does not undo a compression.
        headers = {**self.headers, "Accept-Encoding": "identity"}
        response: schemathesis.Response = case.call(headers=headers, cookies=cookies)
        return response


def _walk(strategy: object, callers: list[Asks], house: House, seen: set[int]) -> int:
    count = 0

    @settings(
        max_examples=3,
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
        if case.operation.path.endswith("/end"):  # after which there would be nobody to ask about
            return
        for place, name in enumerate(("patient_id", "caregiver_id")):
            if name in (case.path_parameters or {}):
                case.path_parameters[name] = str((house.patient_id, house.caregiver_id)[place])
        if isinstance(case.body, dict) and "patient" in case.body and count % 2:
            case.body["patient"] = "F-1"
        machine, *staff = callers
        for caller in (machine, staff[count % len(staff)]):
            response = caller.ask(case)
            seen.add(response.status_code)
            case.validate_response(
                response, checks=[not_a_server_error, content_type_conformance, response_schema_conformance]
            )

    run()
    return count
