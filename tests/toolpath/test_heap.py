"""Memory made ready ahead of who fills it: never a value changed, and never needed."""

import ctypes

import numpy as np
import pytest

from diagnose.toolpath import heap
from diagnose.toolpath.heap import STRIDE, Ahead


def filled(rows: int) -> list[np.ndarray]:
    whole = [np.arange(4 * STRIDE, dtype=np.float64), np.arange(4 * STRIDE, dtype=np.int16)]
    ahead = Ahead()
    for at in range(0, rows, STRIDE // 3):
        ahead.of(whole, at)
    ahead._thread.shutdown(wait=True)
    return whole


@pytest.mark.parametrize("rows", [1, STRIDE, 4 * STRIDE])
def test_what_stands_in_the_columns_stays(rows: int) -> None:
    for column in filled(rows):
        assert (column == np.arange(4 * STRIDE).astype(column.dtype)).all()


def test_a_system_that_knows_no_such_advice_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: None) -> None:
        raise OSError("no such library")

    monkeypatch.setattr(ctypes, "CDLL", missing)
    heap.columns_apart()
    assert len(filled(STRIDE)) == 2


def test_no_more_is_made_ready_than_two_strides_ahead(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(heap, "_populate", lambda parts: asked.append(len(parts[0])))
    column, ahead = np.zeros(10 * STRIDE, np.int8), Ahead()
    for at in range(0, 5 * STRIDE, STRIDE // 4):
        ahead.of([column], at)
        ahead._thread.submit(int).result()
        assert sum(asked) <= at + 2 * STRIDE
    assert sum(asked) >= 6 * STRIDE
