"""The script `run`: two commands on a fresh machine with Python 3.11 and nothing else."""

from __future__ import annotations

import importlib.machinery
import importlib.metadata
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[2]
RUN = ROOT / "run"


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script as a module, with its .venv in an empty folder and no uv."""
    loader = importlib.machinery.SourceFileLoader("holdwater_run", str(RUN))
    spec = importlib.util.spec_from_loader("holdwater_run", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    loader.exec_module(module)
    module.ROOT, module.VENV = tmp_path, tmp_path / ".venv"
    module.PYTHON = module.VENV / "bin" / "python"
    module.STAMP = module.VENV / "holdwater-installed.json"
    real = shutil.which
    monkeypatch.setattr(module.shutil, "which", lambda name, **rest: None if name == "uv" else real(name, **rest))
    return module


@pytest.fixture
def wheel(tmp_path: Path) -> Path:
    """A wheel of one module, so that installing needs no network."""
    path = tmp_path / "tinything-1.0-py3-none-any.whl"
    info = "tinything-1.0.dist-info"
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("tinything.py", "answer = 42\n")
        made.writestr(f"{info}/METADATA", "Metadata-Version: 2.1\nName: tinything\nVersion: 1.0\n")
        made.writestr(
            f"{info}/WHEEL", "Wheel-Version: 1.0\nGenerator: test\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        made.writestr(f"{info}/RECORD", "")
    return path


def said(*arguments: str) -> tuple[int, str]:
    """Exit code and all that the script says."""
    done = subprocess.run([sys.executable, str(RUN), *arguments], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def test_help_names_the_commands() -> None:
    """Without an argument too."""
    assert said() == said("--help")
    code, text = said()
    assert code == 0
    assert all(f"./run {each}" in text for each in ("demo", "test", "check"))


def test_unknown_command_is_told() -> None:
    """What was found, what was expected."""
    code, text = said("dmeo")
    assert code == 2
    assert "dmeo" in text
    assert "demo, test, check" in text


def test_check_takes_no_arguments() -> None:
    """Rather than ignoring them."""
    code, text = said("check", "daemon")
    assert code == 2
    assert "no arguments" in text


def test_old_python_is_told() -> None:
    """Before anything that it could stumble over."""
    code = f"import sys; sys.version_info = (3, 10, 1); exec(compile(open({str(RUN)!r}).read(), 'run', 'exec'))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "Python 3.10" in done.stderr
    assert "3.11" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.fixture
def no_ensurepip(run: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Debian without python3-venv; also quicker."""
    real = importlib.util.find_spec
    monkeypatch.setattr(
        run.importlib.util, "find_spec", lambda name, *a: None if name == "ensurepip" else real(name, *a)
    )


@pytest.mark.slow
@pytest.mark.usefixtures("no_ensurepip")
def test_venv_is_made_without_ensurepip(run: ModuleType, wheel: Path) -> None:
    """The venv is then made without pip and filled from outside."""
    run.make_venv()
    assert not (run.VENV / "bin" / "pip").exists()
    run.pip_install(["--no-index", str(wheel)])
    done = subprocess.run(
        [str(run.PYTHON), "-c", "import tinything; print(tinything.answer)"], capture_output=True, check=True
    )
    assert done.stdout == b"42\n"


def test_without_pip_the_one_line_is_said(
    run: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither ensurepip, pip nor uv, and not root."""
    monkeypatch.setattr(run.importlib.util, "find_spec", lambda name, *a: None)
    monkeypatch.setattr(run.os, "geteuid", lambda: 1000)
    with pytest.raises(SystemExit) as caught:
        run.make_venv()
    assert caught.value.code == 3
    assert "sudo apt-get install -y python3-venv" in capsys.readouterr().err


@pytest.mark.usefixtures("no_ensurepip")
def test_venv_whose_python_is_gone_is_made_anew(run: ModuleType) -> None:
    """A moved folder or an upgraded Python leaves a dead link."""
    (run.VENV / "bin").mkdir(parents=True)
    run.PYTHON.symlink_to("/nowhere/python3")
    (run.VENV / "old").touch()
    run.make_venv()
    assert not (run.VENV / "old").exists()
    assert subprocess.run([str(run.PYTHON), "-c", ""], check=False).returncode == 0


def test_installs_only_when_something_changed(run: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Test holds what demo needs; a changed pyproject or constraint counts."""
    installed: list[str] = []
    monkeypatch.setattr(run, "make_venv", lambda: run.VENV.mkdir(exist_ok=True))
    monkeypatch.setattr(run, "pip_install", lambda arguments: installed.append(arguments[-1]))
    monkeypatch.chdir(run.ROOT)
    for name in ("pyproject.toml", "constraints.txt"):
        (run.ROOT / name).write_text("one", encoding="utf-8")
    for wanted in ("demo", "demo", "test", "demo", "test"):
        run.install(wanted)
    assert installed == [".[demo]", ".[test]"]
    (run.ROOT / "constraints.txt").write_text("two", encoding="utf-8")
    run.install("demo")
    run.STAMP.write_text("damaged", encoding="utf-8")
    run.install("demo")
    assert installed == [".[demo]", ".[test]", ".[demo]", ".[demo]"]


def test_missing_debian_packages_are_one_line(
    run: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """For an ordinary user; found ones are not named."""
    monkeypatch.setattr(run.os, "geteuid", lambda: 1000)
    monkeypatch.setattr(
        run.shutil, "which", lambda name, **rest: "/bin/x" if name in ("strace", "mosquitto_pub") else None
    )
    run.debian_packages()
    assert "sudo apt-get install -y chromium influxdb mosquitto victoria-metrics\n" in capsys.readouterr().out


def test_constraints_pin_all_that_is_asked_for() -> None:
    """Every package that an install with the test extra can draw in has one exact version; no address stands in it."""
    text = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    assert "://" not in text
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    pinned = dict(line.split("==") for line in lines)
    assert list(pinned) == sorted(pinned)
    assert all(re.fullmatch(r"[a-z0-9-]+==[0-9][0-9a-z.]*", line) for line in lines)
    needed = _closure("holdwater", {"demo", "test"}, set())
    assert needed - set(pinned) == set()
    assert set(pinned) - needed == set()


def _closure(name: str, extras: set[str], seen: set[tuple[str, str]]) -> set[str]:
    """Names of all packages that a package draws in here."""
    found: set[str] = set()
    for text in importlib.metadata.requires(name) or []:
        requirement = Requirement(text)
        wanted = [
            extra
            for extra in ("", *sorted(extras))
            if requirement.marker is None or requirement.marker.evaluate({"extra": extra})
        ]
        key = (requirement.name.lower(), ",".join(sorted(requirement.extras)))
        if not wanted or key in seen:
            continue
        seen.add(key)
        plain = re.sub(r"[-_.]+", "-", requirement.name).lower()
        found |= ({plain} if plain != "holdwater" else set()) | _closure(
            requirement.name, set(requirement.extras), seen
        )
    return found


def test_script_and_ci_are_executable() -> None:
    """As a fresh clone has them."""
    assert os.access(RUN, os.X_OK)
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    subprocess.run(["bash", "-n", str(ROOT / ".ci" / "run")], check=True)
