"""A JSON object as a dataclass whose fields say, by validators, what they may hold."""

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from maskforge.base.errors import BenchError
from maskforge.base.ranges import BadValueError
from maskforge.base.wording import nearest, one_line, shortened, shown

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Made = TypeVar("Made", bound=DataclassInstance)


def checked(kind: "type[Made]", values: Mapping[str, object]) -> "Made":
    """The record of exactly the fields' keys, or BadValueError, which names the key."""
    known = [field.name for field in fields(kind)]
    for key in values:
        if key not in known:
            near = nearest(key, known)
            hint = f"; did you mean {near}?" if near else ""
            raise BadValueError(f"no such key{hint}", key, values[key])
    try:
        made: Made = _adapter(kind).validate_python(values)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = str(first["loc"][0])
        if first["type"] == "missing":
            raise BadValueError("missing", key) from None
        raise BadValueError(first["ctx"]["error"].text, key, first["input"]) from None
    return made


@cache
def _adapter(kind: type) -> "TypeAdapter[Any]":
    return TypeAdapter(kind)


def located(where: str, problem: BadValueError) -> BenchError:
    """The problem as one line: where, key, value, what is allowed."""
    given = problem.text == "missing" or problem.key is None
    value = "" if given else f" = {shown(problem.value)}"
    key = shortened(problem.key or "")
    return BenchError(one_line(f"{where} {key}{value}: {problem.text}"))
