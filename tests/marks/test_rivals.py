"""What the bench takes for clocks that nobody could tell apart, where the answer is known beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.coupons.spiral import SpiralJob, tube, write
from diagnose.marks.simulate import Beat, Person, make
from tests.bench.rivals import errors, rivals
from tests.marks import parts
from tests.toolpath.parts import machine

PLAIN = tube(radius=30.0, height=24.0, facets=240, speed=50.0)
PEOPLE = [Person(where="neighbours"), Person(where="whole")]


def part(folder, job: SpiralJob):
    return parts.read(write(job), machine(), folder)


@pytest.mark.parametrize("person", PEOPLE, ids=["neighbours", "whole"])
@pytest.mark.parametrize("fault", [Beat("time", 5.3), Beat("path", 400.0), Beat("filament", 11.7)])
def test_on_a_tube_at_one_speed_what_runs_with_the_job_runs_alike(tmp_path, person, fault):
    made = make(part(tmp_path, PLAIN), fault, 1, person)
    assert {"time", "path", "filament"} - {fault.clock} <= set(rivals(made, fault, person))


def test_bands_of_speed_tell_time_from_path(tmp_path):
    banded = replace(PLAIN, speed=lambda z: 30.0 if int(z / 2) % 2 else 75.0)
    job = part(tmp_path, banded)
    for fault, other in ((Beat("time", 5.3), "path"), (Beat("path", 400.0), "time")):
        made = make(job, fault, 2, Person(where="whole", wanted=20))
        assert other not in rivals(made, fault, Person(where="whole"))


def test_bands_of_width_tell_filament_from_path(tmp_path):
    text = write(PLAIN).splitlines()
    thick = []
    for line in text:
        words = line.split()
        z = next((float(w[1:]) for w in words if w.startswith("Z")), 0.0)
        if words and words[-1].startswith("E") and int(z / 2) % 2:
            words[-1] = f"E{1.6 * float(words[-1][1:]):.5f}"
        thick.append(" ".join(words))
    job = parts.read("\n".join(thick) + "\n", machine(), tmp_path)
    person = Person(where="whole", wanted=20)
    fault = Beat("filament", 11.7)
    found = rivals(make(job, fault, 3, person), fault, person)
    assert "path" not in found and "time" not in found


def test_heights_and_layers_of_one_thickness_run_alike(tmp_path):
    job = parts.read(parts.box(np.random.default_rng(3)), machine(), tmp_path)
    person = Person(where="whole")
    for fault, other in ((Beat("height", 4.0), "layer"), (Beat("layer", 15.0), "height")):
        assert rivals(make(job, fault, 4, person), fault, person) == [other]


def test_the_error_of_a_mark_on_a_tube_is_its_angle_times_the_radius(tmp_path):
    made = make(part(tmp_path, PLAIN), Beat("time", 5.3), 5)
    reach = 30.0 * np.radians(2.0)
    assert np.allclose(errors(made.truth, made.spots, "path", Person()), reach, rtol=0.01)
    assert np.allclose(errors(made.truth, made.spots, "time", Person()), reach / 50.0, rtol=0.05)
    assert np.allclose(errors(made.truth, made.spots, "height", Person()), 0.2 * 2.0 / 360.0, rtol=0.03)
