"""The schema of rule files agrees with the models, and stands beside the built-in rules as it is made now."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from ruamel.yaml import YAML

from diagnose.knowledge.builtin import rules_folder
from diagnose.knowledge.pack import KINDS, Knowledge, load
from diagnose.knowledge.reader import read
from diagnose.knowledge.schema import rules_schema, settings_schema
from diagnose.triage.facts import facts_schema
from tests.knowledge.test_broken_files import BROKEN, CAUSE, EXAMPLE, QUESTION, REMEDY, TEST

FILES = sorted(rules_folder().rglob("*.yaml"))


@pytest.fixture(scope="module")
def builtin() -> Knowledge:
    return load([rules_folder()])[0]


@pytest.fixture(scope="module")
def validator(builtin: Knowledge) -> jsonschema.Draft202012Validator:
    schema = rules_schema(builtin)
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def as_editors_read(text: str) -> Any:
    """Return YAML as editors take it (YAML 1.2, core schema)."""
    return YAML(typ="safe", pure=True).load(text)


@pytest.mark.parametrize("file", FILES, ids=lambda p: p.relative_to(rules_folder()).as_posix())
def test_every_built_in_file_fits_and_names_the_schema(file: Path, validator: jsonschema.Draft202012Validator) -> None:
    text = file.read_text()
    named = re.match(r"# yaml-language-server: \$schema=(\S+)\n", text)
    assert named and (file.parent / named[1]).resolve() == rules_folder() / "rules.schema.json"
    assert [e.message for e in validator.iter_errors(as_editors_read(text))] == []


def test_the_schema_beside_the_built_in_rules_is_the_one_the_models_make() -> None:
    kept = json.loads((rules_folder() / "rules.schema.json").read_text())
    assert kept == rules_schema(Knowledge()), "make it anew: diagnose rules schema --bare -o rules/rules.schema.json"


@pytest.mark.parametrize("text", [CAUSE, QUESTION, REMEDY, TEST, EXAMPLE])
def test_what_the_models_take_the_schema_takes(text: str, validator: jsonschema.Draft202012Validator) -> None:
    assert list(validator.iter_errors(as_editors_read(text))) == []


# What lies between entries, or between fields of one, only `rules check` can tell.
SEEN_BY_EDITORS = [
    "an unknown kind", "a kind that holds no list", "an entry that is a text", "an unknown field", "a field that lacks",
    "an id in capitals", "a name too long", "a list where a text should be", "a text where a list should be",
    "a text where a mapping should be", "an unknown rate", "no defects", "a frequency over 1", "a word that is no frequency",
    "a percent sign", "evidence without a reason", "three contexts", "a place no cause can leave marks at", "an unknown effort",
    "a cost below nothing", "a cost that is no number", "a header that names nothing", "an adjustment to a rate that is none",
    "no mapping", "a bare text",
]  # fmt: skip


@pytest.mark.parametrize("name", SEEN_BY_EDITORS)
def test_what_the_models_refuse_in_one_entry_the_schema_refuses(
    name: str, validator: jsonschema.Draft202012Validator
) -> None:
    text = BROKEN[name][0]
    assert isinstance(text, str)
    assert list(validator.iter_errors(as_editors_read(text)))


def test_the_known_ids_are_offered_and_own_ones_allowed(builtin: Knowledge) -> None:
    schema = rules_schema(builtin)
    offered = schema["$defs"]["questions-id"]["anyOf"][0]["enum"]
    assert set(offered) == set(builtin.questions)
    assert schema["$defs"]["Evidence"]["properties"]["question"]["anyOf"][0] == {"$ref": "#/$defs/questions-id"}


def test_every_kind_and_every_entry_is_described(builtin: Knowledge) -> None:
    schema = rules_schema(builtin)
    for kind, model in KINDS.items():
        assert schema["properties"][kind]["description"]
        assert schema["$defs"][model.__name__]["description"]
    evidence, remedy = (schema["$defs"][name]["properties"] for name in ("Evidence", "Remedy"))
    assert "8 in 10" in evidence["seen"]["examples"]
    assert remedy["wear"]["description"].startswith("What it wears")
    assert remedy["do"]["examples"]


def test_settings_and_answers_have_a_schema_too(builtin: Knowledge, tmp_path: Path) -> None:
    settings = jsonschema.Draft202012Validator(settings_schema())
    assert not list(settings.iter_errors({"rules": ["a", "b"]})) and not list(settings.iter_errors({"rules": "a"}))
    assert list(settings.iter_errors({"rule": "a"}))
    answers = jsonschema.Draft202012Validator(facts_schema(builtin))
    good = as_editors_read("answers: {defect: blobs, popping: 'yes', mark-signs: [a, b]}\ntried: {dry-it: cured}\nmarks: {file: m.csv, zero: left}\nid: x\n")
    assert not list(answers.iter_errors(good))
    for bad in ("answer: {}", "answers: [defect]", "tried: {dry-it: better-not}", "marks: {zeros: left}"):
        assert list(answers.iter_errors(as_editors_read(bad))), bad


def test_the_reader_of_rules_and_editors_see_the_same_ids(builtin: Knowledge) -> None:
    """An unquoted `true` or `12` would be no text to an editor; `on` and `no` are texts in YAML 1.2."""
    for file in FILES:
        ours, theirs = read(file)[0].data, as_editors_read(file.read_text())

        def same(one: Any, other: Any, where: str) -> None:
            if isinstance(one, dict):
                assert list(one) == [str(k) for k in other], where
                for (key, value), second in zip(one.items(), other.values(), strict=True):
                    same(value, second, f"{where} {key}")
            elif isinstance(one, list):
                for number, (value, second) in enumerate(zip(one, other, strict=True)):
                    same(value, second, f"{where} {number}")
            elif where.rpartition(" ")[2] in ("id", "answer", "question", "finding"):
                assert one == other, where

        same(ours, theirs, file.name)
