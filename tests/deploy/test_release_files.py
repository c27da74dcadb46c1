"""What a release consists of: a wheel that comes out the same, a list of its parts, checksums."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release, without what the package index is asked for."""
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, str(ROOT / "deploy" / "release"), "--offline", "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return out


@pytest.mark.slow
def test_two_builds_from_two_places_are_equal_to_the_byte_and_hold_all_of_us(made: Path) -> None:
    """The script ends with words when they differ; every module is in the wheel, no address of a machine is."""
    (wheel,) = made.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
        assert {each.date_time for each in archive.infolist()} == {(2026, 1, 1, 0, 0, 0)}
        everything = b"".join(archive.read(name) for name in names)
    for package, folder in (("holdwater", "daemon"), ("holdwater_sensors", "sensors")):
        for path in (ROOT / folder / package).rglob("*.py"):
            assert path.relative_to(ROOT / folder).as_posix() in names
    assert str(ROOT).encode() not in everything


@pytest.mark.slow
def test_the_list_of_parts_names_every_package_with_version_and_licence(made: Path) -> None:
    """CycloneDX 1.5: the fields that it requires; every part hangs on the whole; versions are those of constraints.txt."""
    (path,) = made.glob("*.cdx.json")
    bill = json.loads(path.read_text())
    assert (bill["bomFormat"], bill["specVersion"], bill["version"]) == ("CycloneDX", "1.5", 1)
    assert re.fullmatch(r"urn:uuid:[0-9a-f]{8}-([0-9a-f]{4}-){3}[0-9a-f]{12}", bill["serialNumber"])
    parts = {each["name"]: each for each in bill["components"]}
    assert {"paho-mqtt", "pydantic", "pydantic-core", "influxdb-client", "urllib3", "h11", "markupsafe"} <= set(parts)
    assert not {"pytest", "numpy", "ruff", "iotcore"} & set(parts)
    for name, part in parts.items():
        assert part["version"] == importlib.metadata.version(name)
        assert part["purl"] == f"pkg:pypi/{name}@{part['version']}"
        assert part["licenses"]
        assert "not stated" not in json.dumps(part["licenses"])
    below = {each["ref"]: each["dependsOn"] for each in bill["dependencies"]}
    reached, waiting = set(), [bill["metadata"]["component"]["bom-ref"]]
    while waiting:
        ref = waiting.pop()
        reached.add(ref)
        waiting += [each for each in below[ref] if each not in reached]
    assert reached == {bill["metadata"]["component"]["bom-ref"], *(part["bom-ref"] for part in parts.values())}
    assert "://" not in path.read_text()


@pytest.mark.slow
def test_every_file_of_the_release_has_its_checksum(made: Path) -> None:
    """As `sha256sum --check` reads it."""
    rows = [line.split("  ") for line in (made / "SHA256SUMS").read_text().splitlines()]
    assert {name for _, name in rows} == {path.name for path in made.iterdir()} - {"SHA256SUMS"}
    for digest, name in rows:
        assert hashlib.sha256((made / name).read_bytes()).hexdigest() == digest
