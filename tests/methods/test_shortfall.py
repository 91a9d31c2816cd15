"""What is said where the asked purity was not got.  No source: wording of our own."""

import pytest

from maskforge import bench as benches
from maskforge.bench.ready import prepared
from maskforge.methods.problem import Problem
from maskforge.methods.shortfall import status_of
from tests.commands import SMALL

ASKED = 0.99


@pytest.fixture(scope="module")
def problem() -> Problem:
    ready = prepared(benches.from_dict(SMALL, "small"))
    return Problem(ready.launch, ready.targets[0], ASKED)


@pytest.mark.parametrize(
    ("got", "top", "worth", "said"),
    [
        (ASKED, None, True, "done"),
        (0.98, None, True, "purity 0.9800000 instead of 0.99: too few pixels are undecided"),
        (0.98, -0.1, False, "proven: no mask of this modulator is 0.99 pure; designed for 0.985"),
        (0.98, 0.2, False, "at most 4 % of the beam at 0.99 (proven); designed for 0.985 instead"),
        (0.98, 0.2, True, "purity 0.980000 instead of 0.99: too few pixels are undecided, at most"),
    ],
)
def test_a_purity_that_was_not_searched_for_is_not_the_pixels_fault(
    problem: Problem, got: float, top: float | None, worth: bool, said: str
) -> None:
    """However much light a lower purity has: what is worth having is a matter of the most light."""
    assert status_of(problem, got, 0.985, top, worth=worth).startswith(said)
