"""``diagnose coupon``: test prints written for one's own printer, and what their marks measure."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from diagnose.cli.common import json_option, print_json, quiet_option, rules_option
from diagnose.errors import BadInput, nearest

if TYPE_CHECKING:
    from diagnose.coupons.setup import Setup
    from diagnose.knowledge.pack import Knowledge

F = TypeVar("F", bound=Callable[..., Any])


class Coupons(click.Group):
    """A group whose commands are `list`, `read`, and every coupon by its name."""

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name in self.commands:
            return self.commands[name]
        return _writing(name)

    def list_commands(self, context: click.Context) -> list[str]:
        return ["list", "read"]


@click.group(cls=Coupons, subcommand_metavar="list | read | NAME -o FILE")
def coupon() -> None:
    """Write a test print for your printer, or read what it measured.

    `diagnose coupon list` shows what there is; `diagnose coupon stall-ladder -o ladder.gcode --printer CARD` writes one.
    """


@coupon.command("list")
@rules_option
@json_option
def list_(packs: tuple[Path, ...], as_json: bool) -> None:
    """List the coupons, and what each is for."""
    from diagnose.cli.toolpath.draw import pen as fitting_pen
    from diagnose.coupons.registry import drawn
    from diagnose.triage import knowledge_from

    known = [c for c in knowledge_from(packs).coupons.values() if c.id in drawn()]
    if as_json:
        print_json({"coupons": [{"id": c.id, "name": c.name, "about": c.about, "reads": c.reads} for c in known]})
        return
    pen = fitting_pen()
    for one in known:
        for line in (*pen.folded(f"{one.id:<14}  ", one.name), *pen.folded(" " * 16, one.about), ""):
            click.echo(line)
    for line in pen.folded(
        "", "`diagnose coupon NAME -o FILE --printer CARD --material pla --space 220x220x250` writes one."
    ):
        click.echo(line)


def setup_options(command: F) -> F:
    """Add what a coupon is printed with."""
    for option in (
        click.option(
            "--space", metavar="WxDxH", help="Room of the bed in mm, such as 220x220x250; by default the card's."
        ),
        click.option(
            "--bed", "bed_c", type=float, metavar="C", help="Temperature of the bed in degrees C; 0 without a heater."
        ),
        click.option("--nozzle", "nozzle_c", type=float, metavar="C", help="Temperature of the nozzle in degrees C."),
        click.option(
            "--material", metavar="ID", help="A plastic of the rules, such as pla, for temperatures and mass."
        ),
        click.option("--printer", metavar="ID|FILE", help="A printer card: its id, or a YAML file of your own."),
    ):
        command = option(command)
    return command


def _setup(packs: tuple[Path, ...], printer: str | None, material: str | None, said: dict[str, Any]) -> Setup:
    from diagnose.coupons.setup import setup_for
    from diagnose.triage import card, knowledge_from, machine_of

    if printer is None:
        raise BadInput(
            "a coupon is written for one printer", "name its card with --printer; `diagnose printers list` shows them"
        )
    knowledge = knowledge_from(packs)
    if material is not None and material not in knowledge.materials:
        hint = nearest(material, knowledge.materials) or f"the rules know {', '.join(knowledge.materials)}"
        raise BadInput(f"the rules know no plastic {material!r}", hint, "--material")
    own = card(knowledge, printer)
    plastic = knowledge.materials[material] if material else None
    return setup_for(own, machine_of(own), material=plastic, **said)


def _known(knowledge: Any, name: str) -> Any:
    from diagnose.coupons.registry import drawn

    if name not in drawn() or name not in knowledge.coupons:
        hint = nearest(name, drawn()) or f"there are {', '.join(drawn())}"
        raise BadInput(f"there is no coupon {name!r}", hint)
    return knowledge.coupons[name], drawn()[name]


def _writing(name: str) -> click.Command:
    """Return the command that writes the coupon of this name."""

    @click.command(name)
    @click.option(
        "-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Where to write the job file."
    )
    @setup_options
    @rules_option
    @json_option
    @quiet_option
    def write(
        output: Path | None, printer: str | None, material: str | None, nozzle_c: float | None, bed_c: float | None,
        space: str | None, packs: tuple[Path, ...], as_json: bool, quiet: bool,
    ) -> None:  # fmt: skip
        """Write this coupon for a printer."""
        from diagnose.cli.toolpath.draw import pen as fitting_pen
        from diagnose.coupons.sheet import finish
        from diagnose.triage import knowledge_from
        from diagnose.whole import write_whole

        text, draw = _known(knowledge_from(packs), name)
        if output is None:
            raise BadInput(
                "where the coupon is to be written was not said", f"diagnose coupon {name} -o {name}.gcode ...", "-o"
            )
        said = {"nozzle_c": nozzle_c, "bed_c": bed_c, "space": space}
        setup = _setup(packs, printer, material, said)
        sheet = finish(text, setup, draw(setup))
        write_whole(output, sheet.text, str(output))
        if as_json:
            bands = [
                {"from_mm": b.from_mm, "to_mm": b.to_mm, "what": b.what, "value": b.value, "unit": b.unit}
                for b in sheet.bands
            ]
            print_json({"file": str(output), "time_s": sheet.time_s, "grams": sheet.grams, "bands": bands})
            return
        pen = fitting_pen()
        click.echo(
            f"{output}: {sheet.time_s / 60:.0f} min, {sheet.grams:.1f} g, {len(sheet.bands)} bands; heating up left out"
        )
        if quiet:
            return
        for caution in text.cautions:
            for line in pen.folded("CAUTION  ", caution):
                click.echo(line)
        for line in pen.folded("", text.reads):
            click.echo(line)

    return write


@coupon.command()
@click.argument("name")
@click.option(
    "--first-mark", type=float, metavar="MM", help="stall-ladder: height of the lowest mark above the base, from the bed."
)
@click.option(
    "--spacings", type=float, nargs=2, metavar="MM MM", help="corner-echo: from wave to wave in the lower and the upper half."
)
@click.option(
    "--sizes", type=float, nargs=4, metavar="MM MM MM MM",
    help="size-and-square-frame: width, depth, diagonal from the marked corner, the other diagonal.",
)  # fmt: skip
@click.option("--write", is_flag=True, help="Put a measured stall into your own printer card, the file named with --printer.")
@setup_options
@rules_option
@json_option
def read(name: str, write: bool, packs: tuple[Path, ...], as_json: bool, **said: Any) -> None:
    """Read what a printed coupon measured: stall-ladder, corner-echo or size-and-square-frame.

    Name the same printer as when it was written.
    """
    from diagnose.triage import knowledge_from

    knowledge = knowledge_from(packs)
    text, _ = _known(knowledge, name)
    if name not in _READERS:
        raise BadInput(f"the coupon {name!r} is read by eye", text.reads)
    option, example, reader = _READERS[name]
    measured = {o: said.pop(o) for o, _, _ in _READERS.values()}
    if measured[option] is None or any(value is not None for o, value in measured.items() if o != option):
        raise BadInput(f"the coupon {name!r} is read by --{option.replace('_', '-')} alone", example)
    if write and reader is not _stall:
        raise BadInput("only a measured stall goes into a printer card", "leave --write out", "--write")
    found, sentences = reader(measured[option], lambda: _setup_to_read(knowledge, packs, said))
    if write:
        _write_down(Path(str(said["printer"])), found["stall_ms"])
        sentences[1:] = [f"{said['printer']}: the time a checkpoint takes now stands there, as measured."]
    if as_json:
        print_json(found)
        return
    for sentence in sentences:
        click.echo(sentence)


def _setup_to_read(knowledge: Knowledge, packs: tuple[Path, ...], said: dict[str, Any]) -> Setup:
    """Return the printer a coupon was written for; heat does not change what is read."""
    from diagnose.triage import card

    own = card(knowledge, said["printer"]) if said["printer"] is not None else None
    anywhere = ANY_SPACE if own is not None and own.bed is None else None
    heat = {"nozzle_c": said["nozzle_c"] or SAME_HEAT_C, "bed_c": said["bed_c"] or 0.0, "space": said["space"] or anywhere}
    return _setup(packs, said["printer"], said["material"], heat)


Found = tuple[dict[str, Any], list[str]]
"""What a reader returns: figures for a program, sentences for a person."""


def _stall(first_mark: float, setup: Callable[[], Setup]) -> Found:
    from diagnose.coupons.ladder import read_ladder

    stall = read_ladder(setup(), first_mark)
    return {"stall_ms": stall.ms, "least_ms": stall.least_ms, "most_ms": stall.most_ms}, [
        f"The stalls last about {stall.ms:.0f} ms (between {stall.least_ms:.0f} and {stall.most_ms:.0f} ms).",
        "If checkpoints are what stalls it, --write puts this into your own printer card.",
    ]


def _echo(spacings: tuple[float, float], setup: Callable[[], Setup]) -> Found:
    from diagnose.coupons.tubes import read_echo

    echo = read_echo(setup(), *spacings)
    says = {
        "time": f"The waves keep a time: something swings at about {echo.hertz:.0f} Hz.",
        "distance": f"The waves keep a distance of {echo.mm:.2f} mm: something turns or steps.",
        "neither": "The waves keep neither a time nor a distance: measure again over ten waves, or two causes are at work.",
    }
    return {"keeps": echo.keeps, "hertz": echo.hertz, "mm": echo.mm}, [says[echo.keeps]]


def _frame(sizes: tuple[float, float, float, float], setup: Callable[[], Setup]) -> Found:
    from diagnose.coupons.plates import read_frame

    frame = read_frame(*sizes)
    angle = f"{abs(frame.skew_deg):.2f} degrees {'less' if frame.skew_deg > 0 else 'more'} than a right angle"
    return {"x_percent": frame.x_percent, "y_percent": frame.y_percent, "skew_deg": frame.skew_deg}, [
        f"Along X {frame.x_percent:+.2f} %, along Y {frame.y_percent:+.2f} %; plastics shrink by a few tenths, alike along both.",
        f"The corner that lay left in front has {angle}.",
    ]


_READERS: dict[str, tuple[str, str, Callable[[Any, Callable[[], Setup]], Found]]] = {
    "stall-ladder": ("first_mark", "measure it from the bed: --first-mark 23.5", _stall),
    "corner-echo": ("spacings", "measure both halves: --spacings 0.8 1.6", _echo),
    "size-and-square-frame": ("sizes", "measure sides and diagonals: --sizes 100.1 99.9 141.3 141.5", _frame),
}
"""Coupons whose reading is a computation: their option, an example of it, and what reads them."""


def _write_down(path: Path, ms: float) -> None:
    """Put the time that a checkpoint takes into a person's own printer card; everything else in it stays as it is."""
    from diagnose.triage import card, knowledge_from
    from diagnose.whole import write_whole

    if not path.is_file():
        raise BadInput(
            "this is a card of the rules, which stays as it is",
            "make one of your own with `diagnose printers add`, and name its file with --printer", "--write",
        )  # fmt: skip
    text = path.read_text(encoding="utf-8")
    changed, count = re.subn(r"(\btakes_ms:\s*)(\{[^}]*\}|[\d.]+)", rf"\g<1>{{value: {ms:.0f}, from: measured}}", text)
    if count != 1:
        raise BadInput(
            f"the card states the time a checkpoint takes {count} times",
            "write one `takes_ms:` below `checkpoint:`",
            str(path),
        )

    def readable(written: Path) -> None:
        card(knowledge_from(()), str(written))

    write_whole(path, changed, str(path), check=readable)


SAME_HEAT_C, ANY_SPACE = 200.0, "220x220x250"
"""Heat and the size of the bed do not change what a ladder measures, but for a low room, which makes it shorter."""
