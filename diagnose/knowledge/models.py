"""The entries of rule files as models. All knowledge is in the YAML; these only say what an entry may hold."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import PydanticCustomError

from diagnose.knowledge.frequency import Frequency

RATES: Mapping[str, int] = MappingProxyType({"everyday": 16, "common": 8, "occasional": 4, "uncommon": 2, "rare": 1})
"""How common a cause is among bad prints of any kind: a factor of two from word to word."""

EFFORT_MINUTES: Mapping[str, float] = MappingProxyType(
    {"glance": 0.5, "recall": 0.5, "handle": 3.0, "measure": 8.0, "reprint": 60.0}
)
"""Minutes of the user's time that finding an answer takes."""

OPTION_USUAL = 0.2
"""Usual share of an option to tick where the file leaves it open."""

FREE_SOURCES = ("common practice", "from memory")
"""What may stand for a source where nothing published is cited."""

Effort = Literal["glance", "recall", "handle", "measure", "reprint"]


_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
# Rule texts reach terminals and pages: no character that acts on either, or turns the direction of reading, stands in them.
_CONTROL = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def _id(raw: str) -> str:
    if not _ID.fullmatch(raw):
        raise PydanticCustomError(
            "rule", "{what}", {"what": f"{raw!r} is not an id", "instead": "write lower-case words joined by `-`"}
        )
    return raw


def _text(raw: str) -> str:
    if bad := _CONTROL.search(raw):
        raise PydanticCustomError(
            "rule", "{what}", {"what": f"holds the control character {bad[0]!r}", "instead": "take it out"}
        )
    if not raw.strip():
        raise PydanticCustomError("rule", "{what}", {"what": "is empty", "instead": "write a sentence"})
    return " ".join(raw.split())


def _picture(raw: str) -> str:
    _text(raw)
    return raw


def one_or_many(raw: Any) -> Any:
    """Let a single text stand for a list of one."""
    return (raw,) if isinstance(raw, str) else raw


def _usual(raw: Any) -> Frequency | dict[str, Frequency] | None:
    if raw is None:
        return None
    if isinstance(raw, dict):
        return {str(defect): Frequency.parse(said) for defect, said in raw.items()}
    return Frequency.parse(raw)


def _said(usual: Frequency | dict[str, Frequency] | None) -> str | dict[str, str] | None:
    """Return a usual share as a rule file writes it."""
    if isinstance(usual, dict):
        return {defect: share.said for defect, share in usual.items()}
    return usual.said if usual else None


def _none(raw: Any) -> Any:
    return None if raw == "none" else raw


# What stands beside the validators is for editors: the schema of a rule file (`schema.py`) says what may be written.
Id = Annotated[str, AfterValidator(_id), WithJsonSchema({"type": ["string", "integer"], "pattern": f"^{_ID.pattern}$"})]
Text = Annotated[str, AfterValidator(_text)]
Loss = Annotated[Text | None, BeforeValidator(_none)]
"""A sentence, or ``none``."""
Picture = Annotated[str, AfterValidator(_picture)]
Ids = Annotated[tuple[Id, ...], BeforeValidator(one_or_many, json_schema_input_type=Id | tuple[Id, ...])]
Usual = Annotated[
    Frequency | dict[str, Frequency] | None,
    PlainValidator(_usual, json_schema_input_type=Frequency | dict[Id, Frequency] | None),
    PlainSerializer(_said),
]
SomeIds = Annotated[
    tuple[Id, ...],
    BeforeValidator(one_or_many, json_schema_input_type=Id | Annotated[tuple[Id, ...], Field(min_length=1)]),
    Field(min_length=1),
]
Condition = dict[Id, SomeIds]
"""Question or finding id to the answers under which something holds."""
Rank = Annotated[int, Field(ge=1, le=5)]


class Entry(BaseModel):
    """Anything with an id. ``replaces`` must be said by an entry that lies over one of an earlier pack."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: Id
    replaces: bool = False
    source: Text | None = None
    """``common practice``, ``from memory`` or the id of an entry under ``sources``."""


class Part(BaseModel):
    """Anything that stands inside an entry."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Evidence(Part):
    """How often one answer is seen when the cause is at work, and why."""

    question: Id | None = None
    finding: Id | None = None
    answer: Id
    seen: Frequency
    given: Condition = Field(default_factory=dict, max_length=2)
    because: Text
    source: Text | None = None

    @model_validator(mode="after")
    def _names_one(self) -> Evidence:
        if (self.question is None) == (self.finding is None):
            raise PydanticCustomError(
                "rule",
                "{what}",
                {"what": "names both or neither of `question` and `finding`", "instead": "name exactly one of them"},
            )
        return self

    @property
    def about(self) -> str:
        """Id of the question or finding this line speaks of."""
        return self.question or self.finding or ""


class Leaves(Part):
    """Where a cause leaves its marks: at known places, in time with a clock, or anywhere."""

    at: Literal[
        "seams", "checkpoint-stops", "random-stops", "rate-stops", "pauses", "retractions", "restarts", "corners",
        "layer-changes", "short-reserve", "fan-changes", "temperature-changes", "overhangs",
    ] | None = None  # fmt: skip
    every: Literal["time", "path", "filament", "height", "layer", "angle", "x", "y"] | None = None
    from_s: float | None = Field(None, gt=0)
    to_s: float | None = Field(None, gt=0)
    from_mm: float | None = Field(None, gt=0)
    to_mm: float | None = Field(None, gt=0)
    anywhere: bool = False

    @model_validator(mode="after")
    def _says_one(self) -> Leaves:
        if sum((self.at is not None, self.every is not None, self.anywhere)) != 1:
            raise PydanticCustomError(
                "rule",
                "{what}",
                {"what": "says more or less than one of `at`, `every`, `anywhere`", "instead": "keep exactly one"},
            )
        for least, most in ((self.from_s, self.to_s), (self.from_mm, self.to_mm)):
            if least is not None and most is not None and least >= most:
                raise PydanticCustomError(
                    "rule",
                    "{what}",
                    {"what": f"goes from {least:g} to {most:g}", "instead": "write the smaller number under `from`"},
                )
        in_s, in_mm = (self.from_s, self.to_s) != (None, None), (self.from_mm, self.to_mm) != (None, None)
        if (in_s and self.every != "time") or (in_mm and self.every not in ("path", "filament", "height", "x", "y")):
            unit = "s" if in_s else "mm"
            raise PydanticCustomError(
                "rule",
                "{what}",
                {
                    "what": f"gives a period in {unit} to {self.every or self.at or 'anywhere'}, which has none",
                    "instead": "periods are in s for `every: time`, in mm for path, filament, height, x and y",
                },
            )
        return self


class Cause(Entry):
    """A root cause that may be true."""

    name: Text = Field(max_length=70)
    family: Id
    about: Text
    rate: Literal["everyday", "common", "occasional", "uncommon", "rare"]
    defects: dict[Id, Frequency] = Field(min_length=1)
    """How often each defect is the main one when this cause is at work: the evidence on the defect question."""
    leaves: Leaves | None = None
    evidence: tuple[Evidence, ...] = ()
    misleads: Text | None = None
    confirm: Ids = ()
    remedies: Ids = ()


class Answer(Part):
    """One declared reply. ``unknown`` is always allowed and never declared."""

    id: Id
    say: Text = Field(max_length=80)
    usual: Usual = None
    """How often it comes among prints where the question applies and whose cause has nothing to do with it; may be
    given by defect, with `other` for the rest."""
    picture: Picture | None = Field(None, max_length=24)
    stop: Text | None = None
    """What to do at once when this answer means danger; the interview waits."""

    @model_validator(mode="before")
    @classmethod
    def _not_unknown(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and raw.get("id") in ("unknown", "n-a"):
            raise PydanticCustomError(
                "rule",
                "{what}",
                {"what": f"the answer {raw['id']!r} is built in", "instead": "take it out: it is always allowed"},
            )
        return raw

    def usual_for(self, defect: str | None) -> float | None:
        """Return the stated usual share for a defect, or None where the file leaves it open."""
        if self.usual is None or isinstance(self.usual, Frequency):
            return self.usual.value if self.usual else None
        found = self.usual.get(defect or "other", self.usual.get("other"))
        return found.value if found else None


class Question(Entry):
    """Something the user can observe or recall."""

    ask: Text
    look: Text | None = None
    kind: Literal["one", "several"] = "one"
    effort: Effort
    slips: Frequency = Frequency(0.05, "0.05")
    """How often people answer this wrongly."""
    missed: Frequency = Frequency(0.3, "0.3")
    """Of kind several: how often an option that is true goes unticked."""
    ask_if: Condition = Field(default_factory=dict)
    role: Literal["defect", "second-defect", "defect-again", "material"] | None = None
    """`material` says which plastic was printed. `defect-again` takes the main defect a second time, in other words: its answers are those of `defect`, their
    frequencies follow from it, and its slips are people who only repeat what they said."""
    measured_by: Literal["marks"] | None = None
    tells_of: Literal["print", "machine"] = "print"
    """``machine``: of the printer, its room or its plastic; a case of what remains after a cure keeps such answers."""
    answers: tuple[Answer, ...] = Field(min_length=1, max_length=40)

    @model_validator(mode="after")
    def _answers_fit(self) -> Question:
        _answer_ids_differ(self.answers)
        if self.kind == "several" and len(self.answers) > 8:
            raise PydanticCustomError(
                "rule",
                "{what}",
                {"what": f"has {len(self.answers)} options to tick", "instead": "split it: at most 8 options"},
            )
        if self.kind == "one" and len(self.answers) < 2:
            raise PydanticCustomError(
                "rule", "{what}", {"what": "has a single answer", "instead": "add the answer that is its opposite"}
            )
        return self


class Finding(Entry):
    """An answer that the program computes from the job file and the printer card."""

    name: Text
    explain: Text
    answers: tuple[Answer, ...] = Field(min_length=2, max_length=20)
    fills: Id | None = None
    """The question this finding answers when it is surer than the user; evidence is then written on the question."""
    derived_from: Ids = ()
    """Findings this one is computed from; evidence on it must be `given` one of them, lest one fact count twice."""

    @model_validator(mode="after")
    def _answers_fit(self) -> Finding:
        _answer_ids_differ(self.answers)
        return self


def _answer_ids_differ(answers: tuple[Answer, ...]) -> None:
    ids = [a.id for a in answers]
    twice = next((i for i in ids if ids.count(i) > 1), None)
    if twice:
        raise PydanticCustomError(
            "rule", "{what}", {"what": f"the answer {twice!r} is given twice", "instead": "rename one of the two"}
        )


class Costed(Entry):
    """Something the user does: what it costs, and what may hurt.

    A cost left out is taken as none, but `rules check` asks to state it: nobody can tell else whether it was thought of.
    """

    name: Text
    do: Text
    minutes: float = Field(ge=0)
    """Of the user's attention."""
    machine_minutes: float = Field(0.0, ge=0)
    grams: float = Field(0.0, ge=0)
    """Of filament."""
    money: float = Field(0.0, ge=0)
    """Parts to buy, in the shop's currency."""
    wear: Loss = None
    """What it wears or puts at risk beside what the caution says; ``none`` is a statement too."""
    gives_up: Loss = None
    """What one has to do without: of a test for as long as it runs, of a remedy for good. ``none`` is a statement too."""
    caution: Text | None = None

    @property
    def unstated(self) -> list[str]:
        """Return the costs that the file does not state; a caution states the risk."""
        costs = ("machine_minutes", "grams", "money", *(() if self.caution else ("wear",)), "gives_up")
        return [name for name in costs if name not in self.model_fields_set]


class ConfirmingTest(Costed):
    """An observation or test print whose result separates suspects."""

    reads: Text
    """How to read the result."""
    question: Id
    """The question its result answers."""
    coupon: Id | None = None
    """The test print that the program writes for it, where there is one."""

    @property
    def how_to_read(self) -> str:
        """How to read the result, and how to have the test print written."""
        if self.coupon is None:
            return self.reads
        return f"{self.reads} `diagnose coupon {self.coupon}` writes a test print for it."


class Remedy(Costed):
    """What cures a cause."""

    sure: Frequency = Frequency(0.95, "0.95")
    """How often it cures its cause."""
    tried: Rank | dict[Id, Rank] | None = None
    """How early people try it, whatever the cause: 1 first of all, 5 hardly ever; may be given by defect, with `other`
    for the rest. Only for comparing plans with habit."""

    def tried_for(self, defect: str | None) -> int | None:
        """Return how early people try it on a print with this defect, or None where the file leaves it open."""
        if not isinstance(self.tried, dict):
            return self.tried
        return self.tried.get(defect or "other", self.tried.get("other"))


class Expect(Part):
    """What a worked example must come out as."""

    first: Id | None = None
    above: float | None = Field(None, ge=0, le=1)
    within_first: int | None = Field(None, ge=1)
    not_above: float | None = Field(None, ge=0, le=1)
    cause: Id | None = None

    @model_validator(mode="after")
    def _says_one(self) -> Expect:
        ways = (
            self.first is not None and self.cause is None and self.within_first is None and self.not_above is None,
            self.within_first is not None and self.cause is not None and self.first is None and self.not_above is None,
            self.not_above is not None and self.cause is not None and self.first is None and self.within_first is None,
        )
        if sum(ways) != 1 or (self.above is not None and self.first is None):
            raise PydanticCustomError(
                "rule",
                "{what}",
                {
                    "what": "is not an expectation",
                    "instead": "write {first: c}, {first: c, above: 0.5}, {within_first: 3, cause: c} "
                    "or {not_above: 0.05, cause: c}",
                },
            )
        return self


class Example(Part):
    """A worked example: answers in, expected suspects out."""

    name: Text
    answers: dict[Id, Ids] = Field(default_factory=dict)
    findings: dict[Id, Id] = Field(default_factory=dict)
    expect: Annotated[
        tuple[Expect, ...],
        BeforeValidator(
            lambda raw: [raw] if isinstance(raw, dict) else raw, json_schema_input_type=Expect | tuple[Expect, ...]
        ),
    ] = Field(min_length=1)


class Source(Entry):
    """A published source that rules may cite."""

    cite: Text


class Adjust(Part):
    """Single lines of a cause in an earlier pack, changed or added by a shop."""

    cause: Id
    rate: Literal["everyday", "common", "occasional", "uncommon", "rare"] | None = None
    evidence: tuple[Evidence, ...] = ()


class Requires(Part):
    """What a pack needs to mean what it says."""

    program: Annotated[str, Field(pattern=r"^\d+(\.\d+){0,2}$"), WithJsonSchema({"type": ["string", "number"]})] | None = None
    """Version of this program, or a later one."""
    packs: Annotated[tuple[Text, ...], BeforeValidator(one_or_many, json_schema_input_type=str | tuple[str, ...])] = ()
    """Names of packs that must lie below it."""


class PackHeader(Part):
    """What a pack says of itself."""

    name: Text
    version: Annotated[Text, WithJsonSchema({"type": ["string", "number"]})] = "1"
    contact: Text | None = None
    requires: Requires | None = None


class Coupon(Entry):
    """A test print that the program writes itself; what draws it is registered under the same id."""

    name: Text
    about: Text
    reads: Text
    """How to read it."""
    cautions: tuple[Text, ...] = Field(min_length=1, max_length=10)
