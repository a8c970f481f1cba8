"""Keys: every one has a name and a sentence, and the help is built from the live ones."""

from __future__ import annotations

import asyncio
from pathlib import Path

from diagnose.screens.cases import CasesScreen
from diagnose.screens.triage import TriageScreen
from tests.screens.stage import at_work, press, said, words, write_case


def test_help_lists_the_live_keys_with_what_they_do(tmp_path: Path) -> None:
    async def story() -> None:
        async with at_work(tmp_path, (100, 50)) as pilot:
            live = [a.binding for a in pilot.app.screen.active_bindings.values()]
            await press(pilot, "question_mark")
            text = words(pilot)
            assert "1-9 Answer" in text and "Undo (not now)" in text
            for binding in live:
                if binding.id:
                    assert binding.tooltip in text, binding

    asyncio.run(story())


def test_every_key_of_ours_has_an_id_a_description_and_a_tooltip(tmp_path: Path) -> None:
    write_case(tmp_path, said("fault", "dots"))

    async def story() -> None:
        async with at_work(tmp_path) as pilot:
            for key in ("", "a", "t", "s", "l", "j", "m", "c", "r", "p", "w", "question_mark", "ctrl+p", "q"):
                await press(pilot, *filter(None, [key]))
                for node, binding, _, tooltip in pilot.app.screen.active_bindings.values():
                    ours = any(binding.key in {key for each in vars(c).get("BINDINGS", ()) for key in each.key.split(",")}
                               for c in type(node).__mro__ if c.__module__.startswith("diagnose"))  # fmt: skip
                    if ours:
                        assert binding.id and binding.description and tooltip, (node, binding)
                if not isinstance(pilot.app.screen, TriageScreen | CasesScreen):
                    await press(pilot, "escape")

    asyncio.run(story())
