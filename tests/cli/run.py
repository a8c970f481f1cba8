"""Run the command line in this process and hand back what a user would see."""

from __future__ import annotations

import io
import json
import sys
from dataclasses import dataclass
from typing import Any
from unittest import mock

import pytest

from diagnose.cli import main


@dataclass
class Seen:
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


def run(capsys: pytest.CaptureFixture[str], *arguments: object, typed: str = "") -> Seen:
    capsys.readouterr()
    with mock.patch.object(sys, "stdin", io.StringIO(typed)), pytest.raises(SystemExit) as end:
        main([str(a) for a in arguments])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    return Seen(int(end.value.code or 0), shown.out, shown.err)
