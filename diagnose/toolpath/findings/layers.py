"""What single layers say: time and size, islands, and what hangs over nothing."""

from __future__ import annotations

import numpy as np

from diagnose.toolpath.findings.ground import Ground
from diagnose.toolpath.findings.registry import Said, finding, grade, times

# Limits are common practice, no source.
HURRIED_S, BRIEF_S = 5.0, 12.0
ENDS = 2
"""Layers at bottom and top that are left out: jobs commonly treat them apart."""
SMALL_S, SMALL_MM2 = 10.0, 100.0
FEW_SMALL, MOST_SMALL = 0.02, 0.6
SOME_HANGS, MUCH_HANGS = 0.005, 0.05
FAR_MM = 20.0
FEW_ISLANDS = 4


@finding("shortest-layer")
def shortest_layer(ground: Ground) -> Said | None:
    """Grade the shortest layers' times at the speeds asked for; first and last layers are left out."""
    if ground.layers <= 2 * ENDS:
        return None
    spent = ground.file.sums.seconds[ENDS:-ENDS]
    short = float(np.quantile(spent, 0.02))
    number = ENDS + int(np.argmin(np.abs(spent - short)))
    answer = grade(short, (HURRIED_S, "hurried"), (BRIEF_S, "brief"), above="ample")
    return Said(
        answer, short, "s",
        f"the shortest layers take {short:.1f} s at the speeds asked for, such as the one at "
        f"{ground.file.shape.layer_z[number]:.2f} mm; braking makes them longer",
        [_line(ground, number)], 0.8,
    )  # fmt: skip


@finding("small-layers")
def small_layers(ground: Ground) -> Said | None:
    """Grade how many layers are both quick and small, so that the nozzle never leaves the same warm spot."""
    if ground.layers <= 2 * ENDS:
        return None
    shape = ground.file.shape
    spent, area = ground.file.sums.seconds[ENDS:-ENDS], (shape.layer_path * shape.line_width)[ENDS:-ENDS]
    small = np.flatnonzero((spent < SMALL_S) & (area < SMALL_MM2))
    share = len(small) / len(spent)
    answer = grade(share, (FEW_SMALL, "none"), (MOST_SMALL, "some"), above="most")
    if answer == "none":
        return Said(answer, share, "of the layers", f"{share:.0%} of the layers are small and take under {SMALL_S:.0f} s", (), 0.8)
    least = int(small[np.argmin(spent[small])])
    return Said(
        answer, share, "of the layers",
        f"{share:.0%} of the layers cover less than {SMALL_MM2:.0f} mm2 and take under {SMALL_S:.0f} s at the speeds asked "
        f"for, the quickest {spent[least]:.1f} s for {area[least]:.0f} mm2 at {shape.layer_z[ENDS + least]:.2f} mm",
        [_line(ground, ENDS + int(k)) for k in (small[0], least, small[-1])], 0.8,
    )  # fmt: skip


@finding("islands")
def islands(ground: Ground) -> Said | None:
    """Count the separate pieces of the layers, as in nine of ten layers at most."""
    count = ground.file.shape.islands
    known = np.flatnonzero(count)
    if not len(known):
        return None
    usual = int(np.quantile(count[known], 0.9, method="higher"))
    answer = grade(usual, (1.5, "one"), (FEW_ISLANDS + 0.5, "few"), above="many")
    shown = known[count[known] >= usual]
    pieces = "one piece" if usual == 1 else f"up to {usual} separate pieces"
    return Said(
        answer, usual, "pieces a layer",
        f"nine layers in ten consist of {pieces}, such as the one at {ground.file.shape.layer_z[shown[0]]:.2f} mm",
        [_line(ground, int(k)) for k in shown[:3]] if usual > 1 else (), 0.85,
    )  # fmt: skip


@finding("overhang-share")
def overhang(ground: Ground) -> Said | None:
    """Grade the share of the outer contour with no line below within half a line width."""
    found = ground.file.shape.overhang
    if not found.path.sum() > 0:
        return None
    share = found.share
    answer = grade(share, (SOME_HANGS, "none"), (MUCH_HANGS, "some"), above="much")
    worst = int(np.argmax(found.hanging))
    if not found.hanging[worst] > 0:
        return Said(answer, share, "of the outer wall", "every piece of the outer wall has a line of the layer below under it", (), 0.8)
    return Said(
        answer, share, "of the outer wall",
        f"{share:.1%} of the outer wall has no line below it within half a line width, most at "
        f"{ground.file.shape.layer_z[worst]:.2f} mm, where it is {found.share_by_layer[worst]:.0%}",
        ground.lines_of(found.first[np.argsort(-found.hanging)[: np.count_nonzero(found.hanging)][:5]]), 0.8,
    )  # fmt: skip


@finding("bridges")
def bridges(ground: Ground) -> Said | None:
    """Grade the longest straight extrusion that hangs between two held ends."""
    found = ground.file.shape.overhang
    if not found.path.sum() > 0:
        return None
    from diagnose.toolpath.overhang import BRIDGE_MM

    count = len(found.bridge)
    if not count:
        return Said("none", 0.0, "mm", f"no straight extrusion hangs over more than {BRIDGE_MM:.0f} mm", (), 0.8)
    longest = int(np.argmax(found.bridge_length))
    reach = float(found.bridge_length[longest])
    order = np.argsort(-found.bridge_length, kind="stable")
    return Said(
        grade(reach, (FAR_MM, "short"), above="long"), reach, "mm",
        f"straight lines hang between two held ends {times(count)}, over {reach:.1f} mm at most, "
        f"{ground.moves.z[found.bridge[longest]]:.2f} mm up",
        ground.lines_of(found.bridge[order]), 0.75,
    )  # fmt: skip


def _line(ground: Ground, number: int) -> int:
    """Return the line of the first move of a layer."""
    return int(ground.moves.line[int(np.argmax(ground.layer == number))])
