"""How numbers and names are written (common practice, no source)."""

import pytest

from maskforge.base.wording import length_text


@pytest.mark.parametrize(
    ("metres", "text"),
    [(3.1234e-5, "31.2 µm"), (9.9e-4, "990 µm"), (1.5e-3, "1.5 mm"), (1.19, "1.19 m"), (0, "0 µm")],
)
def test_lengths_take_few_zeros(metres: float, text: str) -> None:
    assert length_text(metres) == text
