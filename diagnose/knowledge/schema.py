"""JSON Schema of rule files and settings files, for editors: what may stand where, and what it means.

The models are the one home of all this. Descriptions are their docstrings, examples are what the rules themselves say,
and where an id of something else is asked for, the known ones are offered. A schema sees one file at a time: what must
hold between entries only `rules check` can tell.
"""

from __future__ import annotations

import ast
import inspect
import sys
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import pairwise
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from diagnose.knowledge.learnt import Learnt
from diagnose.knowledge.models import FREE_SOURCES, PackHeader
from diagnose.knowledge.pack import KINDS, Knowledge
from diagnose.knowledge.rates import Rates
from diagnose.knowledge.settings import Settings

ID = {"description": "Lower-case words joined by `-`.", "type": ["string", "integer"], "pattern": "^[a-z0-9]+(-[a-z0-9]+)*$"}
DIALECT = "https://json-schema.org/draft/2020-12/schema"

IDS_OF: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("Evidence", "question"): ("questions",),
    ("Evidence", "finding"): ("findings",),
    ("Evidence", "given"): ("questions", "findings"),
    ("Cause", "confirm"): ("tests",),
    ("Cause", "remedies"): ("remedies",),
    ("Question", "ask_if"): ("questions", "findings"),
    ("Finding", "fills"): ("questions",),
    ("Finding", "derived_from"): ("findings",),
    ("ConfirmingTest", "question"): ("questions",),
    ("ConfirmingTest", "coupon"): ("coupons",),
    ("Expect", "first"): ("causes",),
    ("Expect", "cause"): ("causes",),
    ("Example", "answers"): ("questions",),
    ("Example", "findings"): ("findings",),
    ("Adjust", "cause"): ("causes",),
}
"""Model and field to the kinds of entries whose ids are written there: as the value, in the list, or as the keys."""


def rules_schema(knowledge: Knowledge) -> dict[str, Any]:
    """Return the schema of a rule file; ids and examples are those of the given rules."""
    schema = _schema([*KINDS.values(), PackHeader, Rates, Learnt])
    schema["$defs"] |= _known_ids(knowledge)
    for (model, field), kinds in IDS_OF.items():
        _offer(schema["$defs"][model]["properties"], field, kinds)
    for kind, model_class in KINDS.items():
        _show(schema["$defs"][model_class.__name__], getattr(knowledge, kind, ()))
    return {
        "$schema": DIALECT,
        "title": "Rules",
        "description": "A file of rules: entries of one kind or of several, each kind in a list below its name.",
        "type": "object",
        "additionalProperties": False,
        "properties": {
            **{
                kind: {
                    "description": _first_line(model_class),
                    "type": "array",
                    "items": {"$ref": f"#/$defs/{model_class.__name__}"},
                }
                for kind, model_class in KINDS.items()
            },
            "pack": {"$ref": "#/$defs/PackHeader"},
            "rates": {"$ref": "#/$defs/Rates"},
            "learnt": {"$ref": "#/$defs/Learnt"},
        },
        "$defs": schema["$defs"],
    }


def _known_ids(knowledge: Knowledge) -> dict[str, Any]:
    known: dict[str, Any] = {}
    for kind in ("causes", "questions", "findings", "tests", "remedies", "coupons"):
        ids = sorted(getattr(knowledge, kind))
        offered = [{"enum": ids, "description": f"One of the {kind} that are known."}] if ids else []
        known[f"{kind}-id"] = {"anyOf": [*offered, {"$ref": "#/$defs/id"}]}
    known["source"] = {
        "anyOf": [{"enum": [*FREE_SOURCES, *sorted(knowledge.sources)]}, {"$ref": "#/$defs/id"}, {"type": "null"}]
    }
    return known


def answers_schema(knowledge: Knowledge, fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return the schema of a file whose fields speak of ``#/$defs/questions-id`` and the like."""
    ids = {"id": ID, **_known_ids(knowledge)}
    return {
        "$schema": DIALECT, "title": "Answers", "type": "object", "additionalProperties": False, "properties": dict(fields), "$defs": ids
    }  # fmt: skip


def settings_schema() -> dict[str, Any]:
    """Return the schema of a settings file."""
    schema = _schema([Settings])
    whole = schema["$defs"].pop("Settings")
    return {"$schema": DIALECT, "title": "Settings", **whole, "$defs": schema["$defs"]}


def _schema(models: list[type[BaseModel]]) -> dict[str, Any]:
    _, schema = models_json_schema([(model, "validation") for model in models], by_alias=True)
    defined = schema["$defs"]
    numbers = {name: defined.pop(name) for name in list(defined) if name.startswith("Known_")}
    schema["$defs"] = {name: _tidy(entry, numbers) for name, entry in defined.items()}
    schema["$defs"]["id"] = ID
    for model in _all_models(models):
        _describe(schema["$defs"].get(model.__name__, {}).get("properties", {}), model)
    return schema


def _tidy(node: Any, numbers: Mapping[str, Any]) -> Any:
    """Leave out titles, which only repeat the names, and write numbers of cards in full where they are used."""
    if isinstance(node, list):
        return [_tidy(item, numbers) for item in node]
    if not isinstance(node, dict):
        return node
    named = str(node.get("$ref", "")).rpartition("/")[2]
    if named in numbers:
        node = {**numbers[named], **{k: v for k, v in node.items() if k != "$ref"}}
    kept = {k: v for k, v in node.items() if not (k == "title" and isinstance(v, str)) and (k, v) != ("default", None)}
    return {k: _tidy(v, numbers) for k, v in kept.items()}


def _offer(properties: dict[str, Any], field: str, kinds: tuple[str, ...]) -> None:
    """Offer the known ids of some kinds where a field asks for one."""
    offered = [{"$ref": f"#/$defs/{kind}-id"} for kind in kinds]
    one: dict[str, Any] = offered[0] if len(offered) == 1 else {"anyOf": offered}
    properties[field] = _with_ids(properties[field], one)


def _with_ids(node: dict[str, Any], one: dict[str, Any]) -> dict[str, Any]:
    if "pattern" in node:
        return {**{k: v for k, v in node.items() if k not in ("type", "pattern")}, **one}
    if "anyOf" in node:
        return {**node, "anyOf": [_with_ids(choice, one) for choice in node["anyOf"]]}
    if "items" in node:
        return {**node, "items": _with_ids(node["items"], one)}
    if "patternProperties" in node:
        ((_, value),) = node["patternProperties"].items()
        rest = {k: v for k, v in node.items() if k != "patternProperties"}
        return {**rest, "propertyNames": one, "additionalProperties": value}
    return node


def _show(schema: dict[str, Any], entries: Any) -> None:
    """Show what the first entries of the rules say, as an example of each text."""
    known = list(entries.values() if isinstance(entries, Mapping) else entries)
    for name, field in schema.get("properties", {}).items():
        if name == "source":
            schema["properties"][name] = {"$ref": "#/$defs/source", "description": field.get("description", "")}
            continue
        values = (getattr(entry, name, None) for entry in known)
        first = next((value for value in values if isinstance(value, str)), None)
        if first is not None and "enum" not in field and "examples" not in field:
            field["examples"] = [first]


def _describe(properties: dict[str, Any], model: type[BaseModel]) -> None:
    for base in reversed(model.__mro__):
        for name, text in _field_docstrings(base).items():
            info = model.model_fields.get(name)
            written = (info.alias or name) if info is not None else name
            if written in properties:
                properties[written].setdefault("description", text)


@cache
def _field_docstrings(model: type) -> Mapping[str, str]:
    """Return the text below each field of a class, as its source has it."""
    if model.__module__.partition(".")[0] != __name__.partition(".")[0]:
        return {}
    tree = ast.parse(inspect.getsource(sys.modules[model.__module__]))
    body = next((n.body for n in ast.walk(tree) if isinstance(n, ast.ClassDef) and n.name == model.__name__), [])
    return {
        field.target.id: inspect.cleandoc(below.value.value)
        for field, below in pairwise(body)
        if isinstance(field, ast.AnnAssign) and isinstance(field.target, ast.Name)
        and isinstance(below, ast.Expr) and isinstance(below.value, ast.Constant) and isinstance(below.value.value, str)
    }  # fmt: skip


def _all_models(models: list[type[BaseModel]]) -> Iterator[type[BaseModel]]:
    """Yield the models and those inside their fields, each once."""
    seen: set[type] = set()
    waiting: list[Any] = list(models)
    while waiting:
        one = waiting.pop()
        if isinstance(one, type) and issubclass(one, BaseModel):
            if one not in seen:
                seen.add(one)
                yield one
                waiting += [info.annotation for info in one.model_fields.values()]
        else:
            waiting += getattr(one, "__args__", ())


def _first_line(model: type[BaseModel]) -> str:
    return inspect.cleandoc(model.__doc__ or "").partition("\n")[0]
