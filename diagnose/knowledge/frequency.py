"""How often an answer is seen, the way people say it: ``8 in 10``, ``0.8`` or a word.

Natural frequencies are given and read far better than weights (Gigerenzer & Hoffrage 1995). The values of the words
are close to the means people give them (Mosteller & Youtz 1990, from memory).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import inf
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from diagnose.errors import nearest

WORDS = {
    "always": 0.99,
    "nearly-always": 0.90,
    "mostly": 0.75,
    "half": 0.50,
    "sometimes": 0.25,
    "seldom": 0.10,
    "hardly-ever": 0.03,
    "never": 0.01,
}
LEAST, MOST = 0.005, 0.995
"""Nothing is ever exactly 0 or 1: no single line may rule a cause out for good."""

_RATIO = re.compile(r"(\d+(?:\.\d+)?) in (\d+(?:\.\d+)?)")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Frequency:
    """A share between 0.005 and 0.995, and the words it was stated in."""

    value: float
    said: str

    @classmethod
    def parse(cls, raw: Any) -> Frequency:
        """Read a frequency; raises PydanticCustomError with what is wrong and what to write instead."""
        if isinstance(raw, Frequency):
            return raw
        said = str(raw).strip()
        if said in WORDS:
            value = WORDS[said]
        elif match := _RATIO.fullmatch(said):
            some, out_of = float(match[1]), float(match[2])
            if not 0 < out_of < inf or some > out_of:
                raise fault(f"{said!r} is not a share", "write `n in m` with n no greater than m, like `8 in 10`")
            value = some / out_of
        elif _NUMBER.fullmatch(said):
            value = float(said)
            if not 0 <= value <= 1:
                raise fault(f"{said} is not between 0 and 1", "write a share like 0.8 or `8 in 10`")
        else:
            hint = nearest(said, WORDS)
            raise fault(
                f"{said!r} is not a frequency",
                (hint + " " if hint else "") + f"write `8 in 10`, 0.8 or one of: {', '.join(WORDS)}",
            )
        return cls(min(max(value, LEAST), MOST), said)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            cls.parse, serialization=core_schema.plain_serializer_function_ser_schema(lambda f: f.said)
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {
            "description": "How often: `8 in 10`, a share, or a word.",
            "examples": ["8 in 10", "mostly", 0.25],
            "anyOf": [
                {"enum": list(WORDS)},
                {"type": "string", "pattern": f"^{_RATIO.pattern}$"},
                {"type": "number", "minimum": 0, "maximum": 1},
            ],
        }


def fault(what: str, instead: str) -> PydanticCustomError:
    """Return what a model raises: what is wrong, to be read after the name of the field, and what to write instead."""
    return PydanticCustomError("rule", "{what}", {"what": what, "instead": instead})
