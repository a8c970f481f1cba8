"""Compiled loops of the analysis of marks, over bare arrays."""

from __future__ import annotations

import math

import numpy as np

from diagnose.toolpath._kernels import kernel
from diagnose.toolpath.columns import Floats, Int32s, Ints

TWO_PI = 2.0 * math.pi
SWEEP = 60.0
"""deg round the axis after which a long candidate stretch is cut, so that a bell curve stands for each piece."""
BEND = math.radians(25.0)
"""The same for the way the wall runs."""
BLOCK = 256
REFRESH = 256


@kernel
def place(
    height: Floats, angle: Floats, px: Floats, py: Floats, height_err: Floats, angle_err: Floats, place_err: Floats,
    window: float,
    ids: Ints, start: Floats, x: Floats, y: Floats, z: Floats, begin: Floats, depart: Floats, path: Floats,
    filament: Floats, layer: Int32s, layer_height: Floats, wall: Floats, block_low: Floats, block_high: Floats,
    ax: float, ay: float,
    mark: Ints, weight: Floats, mean: Floats, spread: Floats, best_move: Ints, best: Floats,
) -> int:  # fmt: skip
    """Write the pieces of surface that each mark may belong to, in order of marks; return how many there are.

    Region moves `ids` (m,) index the job's columns; `wall` (m + 1,) is mm along the wall up to each. The weight of a piece
    is the integral of the likelihood over its printed surface; `mean` and `spread` (c, 9) are its coordinates. `best` (c, 4)
    is the likeliest x, y, z in it and the density there. Samples farther off than `window` standard deviations are left out.
    """
    count = 0
    room = len(mark)
    m = len(ids)
    u, origin, total, square = np.empty(9), np.empty(9), np.empty(9), np.empty(9)
    for i in range(len(height)):
        eh = height_err[i]
        by_angle = angle[i] == angle[i]
        by_place = px[i] == px[i]
        ea = angle_err[i]
        mass = 0.0
        before = -2
        held_layer = -1
        faced = 0.0
        for b in range(len(block_low)):
            if block_low[b] > height[i] + window * eh or block_high[b] < height[i] - window * eh:
                continue
            for k in range(b * BLOCK, min(m, (b + 1) * BLOCK)):
                j = ids[k]
                z0, z1 = (z[j - 1] if j > 0 else start[2]), z[j]
                if min(z0, z1) > height[i] + window * eh or max(z0, z1) < height[i] - window * eh:
                    continue
                x0, y0 = (x[j - 1] if j > 0 else start[0]), (y[j - 1] if j > 0 else start[1])
                x1, y1 = x[j], y[j]
                length = math.sqrt((x1 - x0) ** 2 + (y1 - y0) ** 2 + (z1 - z0) ** 2)
                if length <= 0.0:
                    continue
                if by_place:
                    # Nearest point of the line, seen from above.
                    along = ((px[i] - x0) * (x1 - x0) + (py[i] - y0) * (y1 - y0)) / max(length * length, 1e-12)
                    along = min(1.0, max(0.0, along))
                    far = math.hypot(x0 + along * (x1 - x0) - px[i], y0 + along * (y1 - y0) - py[i])
                    if far > window * place_err[i]:
                        continue
                    step = 0.5 * place_err[i]
                elif by_angle:
                    radius = max(math.hypot(0.5 * (x0 + x1) - ax, 0.5 * (y0 + y1) - ay), 0.5)
                    here = math.degrees(math.atan2(0.5 * (y0 + y1) - ay, 0.5 * (x0 + x1) - ax))
                    off = abs((here - angle[i] + 180.0) % 360.0 - 180.0)
                    if length < 0.5 * radius and off > window * ea + 60.0 * length / radius:
                        continue
                    step = 0.5 * math.radians(ea) * radius
                else:
                    step = 5.0
                pieces = max(1, min(4000, math.ceil(length / max(step, 0.05))))
                thick = layer_height[max(layer[j], 0)]
                joined = k == before or (k == before + 1 and ids[k - 1] == j - 1)
                # A flat side is one x: what lies round its corner is a piece of its own.
                if abs(x1 - x0) + abs(y1 - y0) > 0.0:
                    heading = math.atan2(y1 - y0, x1 - x0)
                    if not joined or mass <= 0.0:
                        faced = heading
                    elif abs((heading - faced + math.pi) % TWO_PI - math.pi) > BEND:
                        joined, faced = False, heading
                for p in range(pieces):
                    share = (p + 0.5) / pieces
                    sx, sy, sz = x0 + share * (x1 - x0), y0 + share * (y1 - y0), z0 + share * (z1 - z0)
                    dz = (sz - height[i]) / eh
                    off2 = dz * dz
                    round_ = math.degrees(math.atan2(sy - ay, sx - ax))
                    if by_place:
                        off2 += ((sx - px[i]) ** 2 + (sy - py[i]) ** 2) / place_err[i] ** 2
                    elif by_angle:
                        da = ((round_ - angle[i] + 180.0) % 360.0 - 180.0) / ea
                        off2 += da * da
                    if off2 > window * window:
                        joined = False
                        continue
                    w = math.exp(-0.5 * off2) * thick * length / pieces
                    u[0] = begin[j] + share * (depart[j] - begin[j])
                    at = path[j - 1] if j > 0 else 0.0
                    u[1] = at + share * (path[j] - at)
                    at = filament[j - 1] if j > 0 else 0.0
                    u[2] = at + share * (filament[j] - at)
                    u[3], u[4], u[5], u[6], u[7] = sz, float(layer[j]), round_, sx, sy
                    u[8] = wall[k] + share * length
                    turned = 0.0
                    if joined and mass > 0.0:
                        turned = (round_ - origin[5] + 180.0) % 360.0 - 180.0
                        u[5] = origin[5] + turned
                    if not joined or mass <= 0.0 or layer[j] != held_layer or abs(turned) > SWEEP:
                        if mass > 0.0:
                            weight[count - 1] = mass
                            for c in range(9):
                                mean[count - 1, c] = origin[c] + total[c] / mass
                                spread[count - 1, c] = math.sqrt(max(square[c] / mass - (total[c] / mass) ** 2, 0.0))
                        if count == room:
                            return -1
                        u[5] = round_
                        mark[count], best_move[count] = i, j
                        best[count, 3] = -1.0
                        count += 1
                        mass = 0.0
                        held_layer = layer[j]
                        for c in range(9):
                            origin[c], total[c], square[c] = u[c], 0.0, 0.0
                    mass += w
                    for c in range(9):
                        d = u[c] - origin[c]
                        total[c] += w * d
                        square[c] += w * d * d
                    density = math.exp(-0.5 * off2)
                    if density > best[count - 1, 3]:
                        best[count - 1, 0], best[count - 1, 1], best[count - 1, 2] = sx, sy, sz
                        best[count - 1, 3] = density
                        best_move[count - 1] = j
                    joined = True
                before = k if joined else -2
        if mass > 0.0:
            weight[count - 1] = mass
            for c in range(9):
                mean[count - 1, c] = origin[c] + total[c] / mass
                spread[count - 1, c] = math.sqrt(max(square[c] / mass - (total[c] / mass) ** 2, 0.0))
    return count


@kernel
def deposit(u0: Floats, u1: Floats, weight: Floats, low: float, step: float, histogram: Floats) -> None:
    """Add weights, each spread evenly from u0 to u1, to bins whose middles lie `step` apart from `low` on."""
    bins = len(histogram)
    for i in range(len(u0)):
        a, b = (u0[i] - low) / step, (u1[i] - low) / step
        if a > b:
            a, b = b, a
        pieces = max(1, min(100000, int(2.0 * (b - a)) + 1))
        w = weight[i] / pieces
        for p in range(pieces):
            at = a + (b - a) * (p + 0.5) / pieces
            k = math.floor(at)
            part = at - k
            if 0 <= k < bins:
                histogram[k] += w * (1.0 - part)
            if 0 <= k + 1 < bins:
                histogram[k + 1] += w * part


@kernel
def screen(
    first: float, step: float, u: Floats, spread: Floats, weight: Floats, marks: float, real: Floats, imag: Floats,
    grid: float, score: Floats,
) -> None:  # fmt: skip
    """Write (m,) how far the marks' resultant at each frequency lies from that of the surface they lie on.

    |sum of the marks' characteristic functions - marks * S(f)| / sqrt(marks (1 - |S|^2)), which is Rayleigh's statistic
    against an uneven surface. `real`, `imag` are S at multiples of `grid`.
    """
    count = len(u)
    re, im, tre, tim = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    amp, drop, bend = np.empty(count), np.empty(count), np.empty(count)
    for c in range(count):
        tre[c], tim[c] = math.cos(TWO_PI * step * u[c]), math.sin(TWO_PI * step * u[c])
    for m in range(len(score)):
        f = first + m * step
        if m % REFRESH == 0:
            for c in range(count):
                q = 2.0 * math.pi * math.pi * spread[c] * spread[c]
                amp[c] = weight[c] * math.exp(-q * f * f)
                drop[c] = math.exp(-q * (2.0 * f * step + step * step))
                bend[c] = math.exp(-2.0 * q * step * step)
                re[c], im[c] = math.cos(TWO_PI * f * u[c]), math.sin(TWO_PI * f * u[c])
        a = b = 0.0
        for c in range(count):
            a += amp[c] * re[c]
            b += amp[c] * im[c]
            amp[c] *= drop[c]
            drop[c] *= bend[c]
            r = re[c] * tre[c] - im[c] * tim[c]
            im[c] = re[c] * tim[c] + im[c] * tre[c]
            re[c] = r
        sr = si = 0.0
        at = f / grid
        k = int(at)
        if k + 1 < len(real):
            sr = real[k] + (at - k) * (real[k + 1] - real[k])
            si = imag[k] + (at - k) * (imag[k + 1] - imag[k])
        a -= marks * sr
        b -= marks * si
        score[m] = math.sqrt((a * a + b * b) / (marks * (1.02 - min(1.0, sr * sr + si * si))))


@kernel
def evaluate(
    frequency: Floats, u: Floats, spread: Floats, weight: Floats, bounds: Ints, real: Floats, imag: Floats, grid: float,
    sigma: Floats, sigma_weight: Floats, hit: Floats, hit_weight: Floats, floor: float, phases: int, factor: Floats,
    best: Floats,
) -> None:  # fmt: skip
    """Write (m,) the Bayes factor of a beat at each frequency against anywhere, phase, sharpness and hit rate integrated.

    `best` (m, 4) gets where it is greatest: phase in turns, sharpness, hit rate, and 1 / (fbar + floor) there.

    Product over marks of (1 - h) + h (g + floor) / (fbar + floor); g the wrapped normal of the mark's pieces, fbar its mean
    over the surface, from the surface's spectrum S: 1 + 2 sum over k of e^(-2 pi^2 k^2 sigma^2) Re(S(kf) e^(-2 pi i k phi)).
    Marks without pieces (equal bounds) count as 1.
    """
    marks = len(bounds) - 1
    cosine, sine = np.empty(phases), np.empty(phases)
    for j in range(phases):
        cosine[j], sine[j] = math.cos(TWO_PI * j / phases), math.sin(TWO_PI * j / phases)
    g, mean, product = np.empty(phases), np.empty(phases), np.empty((len(hit), phases))
    for m in range(len(frequency)):
        f = frequency[m]
        result = highest = 0.0
        for s in range(len(sigma)):
            narrow = sigma[s]
            mean[:] = 1.0
            k = 1
            while True:
                damp = 2.0 * math.exp(-2.0 * (math.pi * k * narrow) ** 2)
                at = k * f / grid
                b = int(at)
                if damp < 2e-3 or b + 1 >= len(real):
                    break
                sr = damp * (real[b] + (at - b) * (real[b + 1] - real[b]))
                si = damp * (imag[b] + (at - b) * (imag[b + 1] - imag[b]))
                if abs(sr) + abs(si) > 1e-4:
                    for j in range(phases):
                        n = (k * j) % phases
                        mean[j] += sr * cosine[n] + si * sine[n]
                k += 1
            for j in range(phases):
                mean[j] = 1.0 / (max(mean[j], 0.0) + floor)
            product[:, :] = 1.0
            for i in range(marks):
                if bounds[i] == bounds[i + 1]:
                    continue
                g[:] = floor
                for c in range(bounds[i], bounds[i + 1]):
                    w = weight[c]
                    turn = f * u[c]
                    turn -= math.floor(turn)
                    wide2 = narrow * narrow + (spread[c] * f) ** 2
                    if wide2 > 0.0144:
                        for j in range(phases):
                            g[j] += w
                        for k in range(1, 6):
                            one = 2.0 * w * math.exp(-2.0 * math.pi * math.pi * wide2 * k * k)
                            if one < 1e-3 * w:
                                break
                            cr, ci = one * math.cos(TWO_PI * k * turn), one * math.sin(TWO_PI * k * turn)
                            for j in range(phases):
                                n = (k * j) % phases
                                g[j] += cosine[n] * cr + sine[n] * ci
                        continue
                    wide = math.sqrt(wide2)
                    reach = min(phases // 2 - 1, int(4.0 * wide * phases) + 1)
                    nearest = int(turn * phases + 0.5)
                    d = 1.0 / phases
                    left = (nearest - reach) * d - turn
                    value = w / (math.sqrt(TWO_PI) * wide) * math.exp(-0.5 * left * left / wide2)
                    ratio = math.exp(-(left * d + 0.5 * d * d) / wide2)
                    bend = math.exp(-d * d / wide2)
                    j = (nearest - reach) % phases
                    for _ in range(2 * reach + 1):
                        g[j] += value
                        value *= ratio
                        ratio *= bend
                        j += 1
                        if j == phases:
                            j = 0
                for j in range(phases):
                    r = g[j] * mean[j] - 1.0
                    for q in range(len(hit)):
                        product[q, j] *= 1.0 + hit[q] * r
            for q in range(len(hit)):
                total = 0.0
                for j in range(phases):
                    total += product[q, j]
                    believed = sigma_weight[s] * hit_weight[q] * product[q, j]
                    if believed > highest:
                        highest = believed
                        best[m, 0], best[m, 1], best[m, 2], best[m, 3] = j / phases, narrow, hit[q], mean[j]
                result += sigma_weight[s] * hit_weight[q] * total / phases
        factor[m] = result


@kernel
def once(
    frequency: Floats, u: Floats, spread: Floats, weight: Floats, bounds: Ints, best: Floats, floor: float, many: Floats,
    change: Floats,
) -> None:  # fmt: skip
    """Write (m,) by what the factor at each frequency changes where every moment of the beat leaves one mark at most.

    Mark i keeps the beat with a chance of h_i, and at the moment of mark j with p_ij, by where their pieces lie: then one of them
    does not. That none shares one has the chance of the product of 1 - h_i (1 - product over earlier j of 1 - h_j p_ij). And k
    marks take N, N - 1, N - 2 ... moments in place of N each time: the mean of N^k / (N)_k over how many keep it, those that
    share one counted once, N being `many` (m,). Worked out where `evaluate` found the factor greatest, `best` (m, 4).
    """
    marks, pieces = len(bounds) - 1, len(u)
    moment, share = np.empty(pieces, np.int64), np.empty(pieces)
    chance, keep, shared = np.empty(marks + 1), np.empty(marks), np.empty(marks)
    for m in range(len(frequency)):
        f, phase, sigma, hit, mean = frequency[m], best[m, 0], best[m, 1], best[m, 2], best[m, 3]
        value = 1.0
        shared[:] = 0.0
        for i in range(marks):
            a, b = bounds[i], bounds[i + 1]
            total = floor
            for c in range(a, b):
                turn = f * u[c] - phase
                near = math.floor(turn + 0.5)
                wide2 = sigma * sigma + (spread[c] * f) ** 2
                moment[c] = int(near)
                share[c] = weight[c] * math.exp(-0.5 * (turn - near) ** 2 / wide2) / math.sqrt(TWO_PI * wide2)
                total += share[c]
            odds = hit * total * mean / (1.0 - hit) if b > a else 0.0
            keep[i] = odds / (1.0 + odds)
            for c in range(a, b):
                share[c] /= total
            free = 1.0
            for j in range(i):
                same = 0.0
                for d in range(bounds[j], bounds[j + 1]):
                    for c in range(a, b):
                        if moment[c] == moment[d]:
                            same += share[c] * share[d]
                free *= 1.0 - keep[j] * same
                shared[i] += keep[j] * same
                shared[j] += keep[i] * same
            value *= 1.0 - keep[i] * (1.0 - free)
        chance[:] = 0.0
        chance[0] = 1.0
        for i in range(marks):
            h = keep[i] / (1.0 + shared[i])
            for k in range(i + 1, 0, -1):
                chance[k] = chance[k] * (1.0 - h) + chance[k - 1] * h
            chance[0] *= 1.0 - h
        taken, room = 0.0, 1.0
        for k in range(marks + 1):
            taken += chance[k] * room
            # More marks than there are moments cannot be; one more may, for N is a mean.
            room *= many[m] / max(many[m] - k, 1.0) if k <= many[m] else 0.0
        change[m] = value * taken
