"""Numbers and words of options: what is read, and the line that another text gets."""

import numpy as np
import pytest

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError, Range
from maskforge.bench.section import Nanometres
from maskforge.cli import band, compare, tradeoff
from maskforge.cli.option_values import as_options, number, numbers, pair, some_words, spaced
from maskforge.playing.playlist import Timing

SHARE = Range(0, 1)


def test_a_number() -> None:
    assert number("--share", "2.5e-1", SHARE) == 0.25
    assert number("--share", 0.25, SHARE) == 0.25


@pytest.mark.parametrize("given", ["x", "", "nan", "1.1", "0,5", "1\n2", 1.1, float("nan")])
def test_no_such_number(given: str | float) -> None:
    with pytest.raises(BenchError, match=r"^--share = \S*[^\n]*: must be a number from 0 to 1$"):
        number("--share", given, SHARE)


def test_numbers() -> None:
    """Each once, ascending."""
    assert numbers("--share", "0.99, 0.9,0.99,,9.5e-1", SHARE) == (0.9, 0.95, 0.99)


@pytest.mark.parametrize("text", ["", " , "])
def test_nothing_between_commas(text: str) -> None:
    with pytest.raises(BenchError, match=r"^--share: at least one number$"):
        numbers("--share", text, SHARE)
    with pytest.raises(BenchError, match=r"^--methods: at least one of simple, ifta, dual$"):
        compare._methods(text)
    with pytest.raises(BenchError, match=r"^--words: at least one of one, other$"):
        some_words("--words", text, ("one", "other"))


def test_a_pair() -> None:
    assert pair("--place", "0.5, 1", SHARE) == (0.5, 1)


@pytest.mark.parametrize("text", ["0.5", "0,0.5,1", "0,x", "0,2", ""])
def test_no_pair(text: str) -> None:
    line = f"^--place = {text}: must be X,Y, each a number from 0 to 1$"
    with pytest.raises(BenchError, match=line):
        pair("--place", text, SHARE)


def wavelengths(text: str) -> tuple[float, ...]:
    return spaced("--wavelengths", text, Nanometres, band.COUNT, "1530:1565:8")


def test_wavelengths() -> None:
    assert wavelengths("1530:1565:8") == tuple(np.linspace(1530, 1565, 8))


@pytest.mark.parametrize(
    "text",
    [
        "1530",
        "1530:1565",
        "1530:1565:8:2",
        "a:1565:8",
        "1530:1565:1",
        "1530:1565:2.5",
        "1565:1530:8",
        "1530:1530:2",
        "nan:1565:8",
        "1.53:1.56:3",
        "1530:1565:99999999999",
        "",
    ],
)
def test_what_is_no_band(text: str) -> None:
    with pytest.raises(BenchError) as caught:
        wavelengths(text)
    assert str(caught.value).startswith(f"--wavelengths = {text}: ")
    assert "1530:1565:8" in str(caught.value)


@pytest.mark.parametrize("text", ["0.5", "1", "nan", "inf", "0", "-0.9", "x", "1.2"])
def test_purities_out_of_range(text: str) -> None:
    line = f"--purity = {text}: must be a number between 0.5 and 1"
    with pytest.raises(BenchError, match=f"^{line}$"):
        numbers("--purity", f"0.9,{text}", tradeoff._asked_purity)


def test_a_purity_in_percent() -> None:
    with pytest.raises(BenchError, match=r"did you mean 0\.999\?$"):
        numbers("--purity", "99.9", tradeoff._asked_purity)


def test_methods() -> None:
    """In their order, each once."""
    assert compare._methods("dual, simple,dual,") == ("dual", "simple")


@pytest.mark.parametrize("word", ["foo", "Dual", "dual simple", "1"])
def test_unknown_methods(word: str) -> None:
    with pytest.raises(BenchError, match=rf"^--methods = {word}: must be of simple, ifta, dual$"):
        compare._methods(f"simple,{word}")


def test_a_bad_value_is_told_by_its_option() -> None:
    with pytest.raises(BenchError, match=r"^--dwell-ms = 0\.0: must be"), as_options():
        Timing(0.0, 1.0, None)
    # what no option gave is for somebody else to tell
    with pytest.raises(BadValueError), as_options():
        raise BadValueError("must be another one")
