"""What is computed once for a launch and kept for as long as the launch is."""

from collections.abc import Callable
from functools import wraps
from typing import TypeVar
from weakref import WeakKeyDictionary

from maskforge.launch.couplings import Launch

Made = TypeVar("Made")


def kept(function: Callable[[Launch], Made]) -> Callable[[Launch], Made]:
    """The function, called once for each launch; what it gives must not hold the launch."""
    found: WeakKeyDictionary[Launch, Made] = WeakKeyDictionary()

    @wraps(function)
    def looked_up(launch: Launch) -> Made:
        made = found.get(launch)
        if made is None:
            made = found[launch] = function(launch)
        return made

    return looked_up
