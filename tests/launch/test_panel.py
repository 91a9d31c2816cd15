"""The panel: the mask in its place, what is around it, and back."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from maskforge.base.errors import BenchError
from maskforge.launch.modulator import (
    Alphabet,
    Background,
    Carrier,
    Modulator,
    binary,
    levels,
    table,
)
from maskforge.launch.panel import background_states, farthest, mask_window, rendered, states_of

ALPHABETS = {
    "binary": binary(),
    "levels": levels(8),
    "wide": levels(1000),
    "table": table([3, 7, 40, 200, 255], [0.0, 1.0, 2.5, 4.0, 5.5], [1, 0.9, 0.8, 0.9, 1]),
    "dead zone": table([0, 10, 20, 30], [0.0, 0.0, 0.0, 3.1]),
}
BACKGROUNDS = (
    Background(),
    Background("checkerboard", cell=3),
    Background("carrier", carrier=Carrier(2.7, 1.1)),
)


@settings(max_examples=60, deadline=None)
@given(
    name=st.sampled_from(sorted(ALPHABETS)),
    background=st.sampled_from(BACKGROUNDS),
    shape=st.tuples(st.integers(1, 12), st.integers(1, 12)),
    room=st.tuples(st.integers(0, 9), st.integers(0, 9)),
    seed=st.integers(0, 2**31),
)
def test_a_picture_gives_the_states_back(
    name: str,
    background: Background,
    shape: tuple[int, int],
    room: tuple[int, int],
    seed: int,
) -> None:
    """Whatever is around the mask, wherever it lies; row 0 of the picture is the top."""
    rng = np.random.default_rng(seed)
    at = (int(rng.integers(room[1] + 1)), int(rng.integers(room[0] + 1)))
    panel = Modulator(
        shape,
        1e-5,
        ALPHABETS[name],
        panel_shape=(shape[0] + room[0], shape[1] + room[1]),
        at=at,
        background=background,
    )
    states = rng.integers(0, panel.alphabet.size, shape).astype(np.uint16)
    picture = rendered(panel, states)
    assert picture.shape == panel.panel
    assert np.array_equal(states_of(panel, picture), states)
    column, row = at
    assert picture[row, column] == panel.alphabet.greys[states[-1, 0]]
    around = np.ones(panel.panel, dtype=bool)
    around[mask_window(panel)] = False
    wanted = panel.alphabet.greys[background_states(panel)]
    assert np.array_equal(picture[around], wanted[around])


def test_a_checkerboard_of_the_states_farthest_apart() -> None:
    """Of 8 equal steps those half a turn apart; both as often, so that the zero order is dark."""
    panel = Modulator(
        (2, 2), 1e-5, levels(8), panel_shape=(12, 16), background=Background("checkerboard")
    )
    states = background_states(panel)
    assert set(np.unique(states)) == set(farthest(panel.alphabet))
    assert abs(panel.alphabet.values[states].sum()) < 1e-9
    assert states[0, 0] != states[0, 1]
    assert states[0, 0] != states[1, 0]


def test_a_steep_carrier_sends_the_light_to_its_own_order() -> None:
    """Period 4 px along x with 256 levels: all of the power at spatial frequency 1/4; the grating
    equation, Goodman, Introduction to Fourier Optics."""
    background = Background("carrier", carrier=Carrier(4.0, 0.0))
    panel = Modulator((2, 2), 1e-5, levels(256), (32, 64), background=background)
    field = panel.alphabet.values[background_states(panel)]
    power = np.abs(np.fft.fft2(field)) ** 2
    assert np.unravel_index(np.argmax(power), power.shape) == (0, 16)
    assert power.max() / power.sum() > 0.999


def test_a_flat_grey() -> None:
    alphabet = ALPHABETS["table"]
    panel = Modulator((2, 2), 1e-5, alphabet, (4, 5), background=Background("flat", grey=40))
    assert np.all(rendered(panel, np.zeros((2, 2), np.uint16))[0] == 40)
    wrong = Modulator((2, 2), 1e-5, alphabet, (4, 5), background=Background("flat", grey=41))
    with pytest.raises(BenchError, match="grey 41: none of the alphabet's 5 greys, from 3 to 255"):
        background_states(wrong)


def test_pictures_that_are_none_of_the_panels() -> None:
    panel = Modulator((2, 2), 1e-5, binary(), (4, 5))
    with pytest.raises(BenchError, match="5 x 3 pixels, the panel has 5 x 4"):
        states_of(panel, np.zeros((3, 5), np.uint8))
    picture = rendered(panel, np.zeros((2, 2), np.uint16))
    picture[2, 2] = 9
    with pytest.raises(BenchError, match=r"1 pixels of the mask have a grey .* such as 9"):
        states_of(panel, picture)


def test_greys_of_one_phase_count_as_the_first() -> None:
    """A dead zone: other greys, the same light."""
    alphabet: Alphabet = ALPHABETS["dead zone"]
    assert np.allclose(alphabet.values[:3], alphabet.values[0])
    low, high = farthest(alphabet)
    assert {alphabet.greys[low], alphabet.greys[high]} >= {30}
