"""The unrolled surface and the folded heap, cell by cell."""

from __future__ import annotations

from typing import Any

from diagnose.triage.unrolled import MEANING, SIGNS, best_clock, folded, keeping, legend, sides, unrolled


def mark(height: float, angle: float | None, on_part: bool = True) -> dict[str, Any]:
    return {"height": height, "angle": angle, "on_part": on_part}


def told(marks: list[dict[str, Any]], phases: list[float | None], hits: int, **more: Any) -> dict[str, Any]:
    clock = {"clock": "time", "decibans": 30.0, "period": 5.0, "folded": phases, "hits": hits}
    return {"list": marks, "clocks": [clock], "region": [0.0, 10.0], "map": {"seams": [], "stops": []}} | more


def test_marks_stand_at_their_height_and_angle_counter_clockwise_from_the_right() -> None:
    drawn = unrolled(told([mark(9.9, 0), mark(5.1, 90), mark(0.0, 359.9)], [0.0, 0.0, 0.4], 2), 8, 10)
    there = {(r, c): s for r, row in enumerate(drawn.rows) for c, s in enumerate(row) if s}
    assert there == {(0, 0): "kept", (4, 2): "kept", (9, 7): "stray"}
    assert drawn.heights[0] == 9.0 and drawn.heights[-1] == 0.0
    assert sides(40).split() == ["right", "back", "left", "front"] and sides(40).index("back") == 10


def test_a_mark_at_a_stop_or_seam_has_a_sign_of_its_own_and_covers_what_is_below() -> None:
    there = {"seams": [[5.0, 0.0], [6.0, 0.0]], "stops": [[2.0, 180.0], [2.0, 270.0], [40.0, 0.0]]}
    drawn = unrolled(told([mark(2.0, 180.0), mark(5.0, 1.0), mark(2.0, 275.0)], [0.0, 0.0, 0.5], 2, map=there), 8, 10)
    assert drawn.rows[7][4] == "met" and drawn.rows[4][0] == "kept-seam" and drawn.rows[3][0] == "seam"
    assert drawn.rows[7][6] == "stray", "a mark off the beat stays one, wherever it lies"
    assert drawn.signs() == ["stray", "met", "kept-seam", "seam"]


def test_marks_known_by_height_alone_stand_in_the_margin_and_those_off_the_part_nowhere() -> None:
    drawn = unrolled(told([mark(5.0, None), mark(7.0, 10.0, on_part=False)], [0.0, None], 1), 8, 10)
    assert drawn.margin[4] == "kept" and not any(any(row) for row in drawn.rows)


def test_as_many_marks_keep_the_beat_as_were_counted_the_nearest_ones() -> None:
    t = told([mark(h, 0) for h in range(4)], [0.02, -0.3, 0.01, None], 2)
    assert keeping(t, best_clock(t)) == [True, False, True, False]
    t["clocks"][0]["decibans"] = 4.0
    assert best_clock(t) is None and keeping(t, None) == [True] * 4, "a beat nobody believes tells no mark from another"


def test_marks_that_keep_the_beat_stack_up_in_the_middle() -> None:
    t = told([mark(h, 0) for h in range(5)], [0.0, 0.01, -0.01, 0.4, None], 3)
    heap = folded(t, t["clocks"][0], 9)
    assert [row[4] for row in heap] == ["kept"] * 3
    assert heap[-1][8] == "stray" and sum(bool(s) for row in heap for s in row) == 4


def test_every_sign_has_a_shape_of_its_own_in_both_alphabets_and_is_explained() -> None:
    for alphabet in (0, 1):
        shapes = [SIGNS[sign][alphabet] for sign in SIGNS]
        assert len(set(shapes)) == len(shapes)
    assert set(MEANING) == set(SIGNS) - {""}
    assert legend(["kept", "stop"], False, True, 40) == ["o mark on the beat   ^ predicted stop"]
    assert legend(["kept", "stop"], True, False, 20) == ["● mark", "▲ predicted stop"]
