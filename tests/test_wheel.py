"""The wheel carries rules and casebook, and works from anywhere in an environment that knows nothing of the checkout."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def test_a_built_wheel_finds_its_rules_and_runs_the_demo_from_another_folder(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", tmp_path, ROOT],
        check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    assert any(n.startswith("diagnose/builtin/rules/causes/") for n in names)
    assert any(n.startswith("diagnose/builtin/casebook/") for n in names)
    assert not any("__pycache__" in n or n.startswith("tests/") for n in names)

    # An empty environment: only the wheel is installed in it; the dependencies are lent by path, without reading
    # the path files there, so the checkout stays unknown.
    env = tmp_path / ".env"  # the usual name begins with a dot, and so does a path of every file in it
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", env], check=True)
    python = env / "bin" / "python"
    site = Path(
        subprocess.run(
            [python, "-c", "import sysconfig; print(sysconfig.get_paths()['purelib'])"],
            check=True, capture_output=True, text=True,
        ).stdout.strip()
    )  # fmt: skip
    zipfile.ZipFile(wheel).extractall(site)
    (site / "lent.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")

    def call(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run([python, "-m", "diagnose", *arguments], cwd=tmp_path, capture_output=True, text=True)

    where = subprocess.run(
        [python, "-c", "import diagnose; print(diagnose.__file__)"], cwd=tmp_path, capture_output=True, text=True
    ).stdout
    assert str(env) in where
    checked = call("rules", "check")
    assert checked.returncode == 0, checked.stdout + checked.stderr
    shown = call("demo")
    assert shown.returncode == 0, shown.stderr
    assert "To confirm it" in shown.stdout
