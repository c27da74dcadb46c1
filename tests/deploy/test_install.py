"""Installer, bundle and units agree with each other; what a dry run and a wrong call say. The real install is a soak beside this."""

from __future__ import annotations

import re
import shutil
import subprocess
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType

import pytest

from conftest import need

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
UNIT = (DEPLOY / "holdwater.service").read_text()
INSTALL = (DEPLOY / "install").read_text()
MOSQUITTO = "".join(path.read_text() for path in sorted((DEPLOY / "mosquitto").iterdir()))


def call(script: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """One of the scripts, as it stands."""
    return subprocess.run([str(DEPLOY / script), *arguments], capture_output=True, text=True, check=False, timeout=60)


@pytest.fixture(scope="module")
def bundle() -> ModuleType:
    """The bundle script as a module."""
    loader = SourceFileLoader("bundle", str(DEPLOY / "bundle"))
    module = module_from_spec(spec_from_loader("bundle", loader))  # type: ignore[arg-type]
    loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["install", "certificates"])
def test_a_script_is_plain_sh(name: str) -> None:
    """A board has no other shell for sure; it may be run, and says its use."""
    assert (DEPLOY / name).read_text().startswith("#!/bin/sh\n")
    assert (DEPLOY / name).stat().st_mode & 0o111
    assert subprocess.run(["sh", "-n", str(DEPLOY / name)], check=False).returncode == 0


@pytest.mark.slow
def test_a_dry_run_says_every_step_and_changes_nothing() -> None:
    """From this checkout on this machine: nine steps, no file that was not there before."""
    need(shutil.which("dpkg") is not None, "this is no Debian-family machine")
    places = [
        Path(each)
        for each in (
            "/opt/holdwater",
            "/etc/holdwater",
            "/usr/local/bin/holdwater",
            "/etc/systemd/system/holdwater.service",
        )
    ]
    before = [each.exists() for each in places]
    done = call("install", "--dry-run", "--tls")
    assert done.returncode == 0, done.stderr
    assert re.findall(r"^(\d)\. ", done.stdout, re.M) == list("123456789")
    assert "did:" not in done.stdout
    assert done.stdout.rstrip().endswith("Nothing was changed: --dry-run.")
    assert [each.exists() for each in places] == before


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--nonsense",), "do not know: --nonsense"),
        (("--config",), "--config without a file"),
        (("--config", "/no/such"), "cannot read /no/such"),
    ],
)
def test_a_wrong_call_says_found_expected_next_and_ends_with_2(arguments: tuple[str, ...], words: str) -> None:
    """As every command of ours."""
    done = call("install", *arguments)
    assert done.returncode == 2
    assert words in done.stderr
    assert "expected:" in done.stderr
    assert "next:" in done.stderr


def test_unit_and_installer_name_the_same_places() -> None:
    """Program, config, store, user, password, certificates: what one lays down the other starts."""
    place = re.search(r"^PLACE=(\S+)", INSTALL, re.M)
    config = re.search(r"^CONFIG=(\S+)", INSTALL, re.M)
    assert place
    assert config
    assert f"ExecStart={place[1]}/bin/holdwater run --config {config[1]}\n" in UNIT
    assert f"ConditionPathExists={config[1]}\n" in UNIT
    assert "StateDirectory=holdwater\n" in UNIT
    assert "STORE=/var/lib/holdwater\n" in INSTALL
    assert "User=holdwater\n" in UNIT
    assert "useradd --system" in INSTALL
    assert "LoadCredential=broker.password:/etc/holdwater/broker.password" in UNIT
    assert "account holdwater broker.password" in INSTALL
    assert f"ExecStart={place[1]}/tools/certificates renew" in (DEPLOY / "holdwater-certificates.service").read_text()


def test_the_broker_reads_the_files_that_are_written_for_it() -> None:
    """Every file that mosquitto/ names is one that installer or certificates make."""
    named = set(re.findall(r"^(?:password_file|acl_file|cafile|certfile|keyfile) (\S+)", MOSQUITTO, re.M))
    made = INSTALL + (DEPLOY / "certificates").read_text()
    for path in named:
        assert Path(path).name in made, path
    for account in re.findall(r"^user (\S+)", MOSQUITTO, re.M):
        assert f"account {account} " in INSTALL


@pytest.mark.parametrize(
    "path",
    sorted([*DEPLOY.glob("*.service"), *DEPLOY.glob("*.timer"), *DEPLOY.glob("*.conf")]),
    ids=lambda path: path.name,
)
def test_every_unit_says_why(path: Path) -> None:
    """A comment in each paragraph."""
    for paragraph in path.read_text().split("\n\n"):
        lines = [line for line in paragraph.splitlines() if not line.startswith("[")]
        assert len(lines) <= 1 or any(line.startswith("#") for line in lines), paragraph


def test_names_at_the_broker_that_are_ours_are_refused_for_boxes() -> None:
    """The accounts of the access list are those that setup reserves."""
    from holdwater.setting_up.boxes import RESERVED

    assert set(re.findall(r"^user (\S+)", MOSQUITTO, re.M)) == set(RESERVED)


def test_the_bundle_holds_all_that_the_installer_reaches_for(bundle: ModuleType) -> None:
    """Each file beside the installer that it names is laid into a bundle."""
    for name in re.findall(r'"\$HERE/([a-z.-]+)(?:/[a-z$-]+\.?[a-z]*)?"', INSTALL):
        if name not in ("wheels", "tools", "debs", "requirements.txt", "bundle.txt", "SHA256SUMS", ".."):
            assert name in bundle.LAID_BESIDE, name
    for name in bundle.LAID_BESIDE:
        assert (DEPLOY / name).exists(), name


def test_every_file_of_a_bundle_has_its_hash_and_a_changed_one_is_found(bundle: ModuleType, tmp_path: Path) -> None:
    """As `sha256sum --check` sees it; pip's list has each wheel by name, version and hash."""
    (tmp_path / "wheels").mkdir()
    (tmp_path / "wheels" / "paho_mqtt-2.2.0-py3-none-any.whl").write_bytes(b"wheel")
    (tmp_path / "install").write_text("#!/bin/sh\n")
    bundle.requirements(tmp_path)
    bundle.hashes(tmp_path)
    assert re.fullmatch(r"paho_mqtt==2\.2\.0 --hash=sha256:[0-9a-f]{64}\n", (tmp_path / "requirements.txt").read_text())

    def check() -> int:
        return subprocess.run(
            ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"],
            cwd=tmp_path,
            capture_output=True,
            check=False,
        ).returncode

    assert check() == 0
    (tmp_path / "wheels" / "paho_mqtt-2.2.0-py3-none-any.whl").write_bytes(b"whee1")
    assert check() != 0


def test_the_board_gets_wheels_for_everything_that_the_service_needs() -> None:
    """Of what pyproject.toml asks for, cbor2 has no wheel for armv7 any more: it is for tests, not for the board."""
    import tomllib

    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert not any(each.startswith("cbor2") for each in project["dependencies"])
