"""The bench does what its description says, whatever is asked: fuzzed by schemathesis in process, a few dozen cases an address.

Source: schemathesis 4 (checks of status, media type and schema of every answer; wrong data refused, right data not refused).
"""

import contextlib
import shutil

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Unsatisfiable
from numbered_reel import AT, NAME
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from smallgauge.workbench.app import make_app
from smallgauge.workbench.hand import Hand
from smallgauge.workbench.shelf import Shelf

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
    negative_data_rejection,
]
EVENTS = "/api/hand/events"  # has no end: test_hand.py reads it


class Resting(Hand):
    """A hand that begins nothing: what is put in hand here stays waiting."""

    def _next(self) -> None:
        pass


@pytest.fixture(scope="module")
def contract(numbered_shelf, tmp_path_factory):
    """The bench over a copy of the shelf, as its own description tells it."""
    shelf = shutil.copytree(numbered_shelf, tmp_path_factory.mktemp("contract") / "shelf")
    app, _ = make_app(Shelf(shelf), Resting(), lambda: AT)
    return schemathesis.openapi.from_asgi("/api/description", app)


def fuzzed(operation, mode: GenerationMode, examples: int) -> int:
    """How many cases of an address were tried; the first wrong answer is an error that shows it."""
    tried = 0

    @settings(
        max_examples=examples,
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode), right=st.booleans())
    def try_one(case, right):
        nonlocal tried
        if right and "reel" in case.path_parameters and mode is GenerationMode.POSITIVE:
            case.path_parameters["reel"] = NAME
        tried += 1
        case.call_and_validate(checks=CHECKS)

    with contextlib.suppress(Unsatisfiable):  # an address of which nothing can be asked wrong
        try_one()
    return tried


def operations(contract):
    """Every described address but the one without an end."""
    found = [each.ok() for each in contract.get_all_operations()]
    return [each for each in found if each.path != EVENTS]


def takes_any_name(operation) -> bool:
    """Whether all that is asked of an address is a name in its path: any text is right there, and none is wrong."""
    told = operation.definition.raw
    return "requestBody" not in told and all(
        each["in"] == "path" and each["schema"] == {"type": "string", "minLength": 1}
        for each in told.get("parameters", ())
    )


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_every_answer_is_as_described(contract, mode):
    wrong = mode is GenerationMode.NEGATIVE  # looking for what can't be takes longer than all others together
    asked = [each for each in operations(contract) if not (wrong and takes_any_name(each))]
    tried = {each.label: fuzzed(each, mode, 4) for each in asked}
    assert min(tried.values()) > 0 and len(tried) >= 50, tried


@pytest.mark.campaign
@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE])
def test_every_answer_is_as_described_many_times(contract, mode):
    tried = {each.label: fuzzed(each, mode, 1000) for each in operations(contract)}
    print(mode.name, sum(tried.values()), "cases at", len(tried), "addresses")
