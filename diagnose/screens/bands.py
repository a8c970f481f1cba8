"""How the bands of a case share the height of a small screen."""

from __future__ import annotations

from textual.screen import Screen

from diagnose.screens.question import QuestionPanel

WIDE_SCREEN = 120
"""Cells from which the bands stand side by side."""
HEAD_AND_KEYS = 2
"""Lines above and below the bands."""
LESS_AND_LESS = ((6, 6), (6, 3), (5, 3), (5, 0), (4, 0), (3, 0))
"""Lines of the suspects and of Why, title and all, as they give way to a question that needs the height."""
FEW_ANSWERS = 5
"""Lines of answers, with the one that counts the rest, that must be in sight before anything else is."""


def share_height(screen: Screen[None], notice_lines: int) -> None:
    """Give the question the height it needs: of bands below each other Why gives way first, then the suspects."""
    panel, suspects, ledger = (screen.query_one(f"#{id}") for id in ("question", "suspects", "ledger"))
    assert isinstance(panel, QuestionPanel)
    width, height = screen.app.size
    if width >= WIDE_SCREEN:
        suspects.display = ledger.display = True
        suspects.styles.height = ledger.styles.height = None
        panel.spare(how_to_look=True, hint=True)
        return
    panel.answers.spare_pictures(below=True)
    (ask, how, hint), answers = panel.lines(width)
    room = height - HEAD_AND_KEYS - notice_lines
    fresh = screen.has_class("-fresh")
    for suspect_lines, ledger_lines in LESS_AND_LESS:
        ledger_lines = 0 if fresh else ledger_lines
        left = room - suspect_lines - ledger_lines - 1  # the title of the band
        if left >= ask + how + hint + answers:
            break
    if left < ask + how + hint + answers:
        panel.answers.spare_pictures(below=False)
        answers = panel.lines(width)[1]
    lacks = min(answers, FEW_ANSWERS)
    if left < ask + lacks:  # better no suspects than a question without answers
        suspect_lines, left = 0, left + suspect_lines
    panel.spare(how_to_look=left >= ask + how + lacks, hint=left >= ask + how + hint + lacks)
    for band, lines in ((suspects, suspect_lines), (ledger, ledger_lines)):
        band.display = lines > 0
        band.styles.height = lines or None
