"""The installer in a clean Debian root, for each architecture that this machine runs or emulates: minutes each, needs root.

`HOLDWATER_ROOTS` may name a folder in which the roots are kept between runs.
"""

from __future__ import annotations

import os
import platform
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from conftest import need

ROOT = Path(__file__).parents[2]
HERE = Path(__file__).parent
EMULATED = {"amd64": "x86_64", "arm64": "aarch64", "armhf": "arm"}
PACKAGES = "python3,ca-certificates,mosquitto,openssl"
SYSTEMD = ",systemd,systemd-sysv,dbus,iproute2"
SITE = """
[site]
name = "Our tank"
timezone = "America/Chicago"

[broker]
username = "holdwater"
password_file = "broker.password"

[store]
commit_every = "1 s"

[tank.house]
use = "washing"
shape = { kind = "upright cylinder", diameter = "64 in", height = "80 in" }
overflow = "76 in"

[sensor.house-level]
tank = "house"
kind = "ultrasonic"
series = "house:gap"
height = "88 in"
compensated = true
"""


def runs_here(arch: str) -> bool:
    """Whether programs of an architecture run on this machine, by itself or by the kernel's binfmt_misc."""
    if EMULATED[arch] == platform.machine():
        return True
    if not Path("/proc/sys/fs/binfmt_misc/register").exists():
        subprocess.run(
            ["mount", "-t", "binfmt_misc", "binfmt_misc", "/proc/sys/fs/binfmt_misc"], capture_output=True, check=False
        )
    entry = Path(f"/proc/sys/fs/binfmt_misc/qemu-{EMULATED[arch]}")
    plan = Path(f"/usr/lib/binfmt.d/qemu-{EMULATED[arch]}.conf")
    if not entry.exists() and plan.exists():
        Path("/proc/sys/fs/binfmt_misc/register").write_text(plan.read_text())
    return entry.exists()


@pytest.fixture
def clean_root(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A Debian root with Python and Mosquitto, nothing else; a copy of one that is kept, or made by debootstrap."""
    arch, _, kind = request.param.partition("-")
    need(os.geteuid() == 0, "making a Debian root needs root")
    need(
        shutil.which("debootstrap") is not None,
        "debootstrap is missing: sudo apt-get install -y debootstrap qemu-user-static",
    )
    need(runs_here(arch), f"no emulation of {arch}: sudo apt-get install -y qemu-user-static")
    kept = Path(os.environ.get("HOLDWATER_ROOTS", tmp_path)) / request.param
    if not (kept / "usr").exists():
        command = [
            "debootstrap",
            f"--arch={arch}",
            "--variant=minbase",
            f"--include={PACKAGES}{SYSTEMD if kind else ''}",
            "bookworm",
            str(kept),
            "http://deb.debian.org/debian",
        ]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    root = tmp_path / "root"
    subprocess.run(["cp", "-a", "--reflink=auto", str(kept), str(root)], check=True)
    yield root
    shutil.rmtree(root, ignore_errors=True)


def bundle(arch: str, out: Path) -> Path:
    """A bundle for that architecture, unpacked."""
    subprocess.run(
        [str(ROOT / "deploy" / "bundle"), "--arch", arch, "--out", str(out)], check=True, capture_output=True
    )
    (archive,) = out.glob("*.tar.gz")
    subprocess.run(["tar", "xzf", str(archive), "-C", str(out)], check=True)
    return out / archive.name.removesuffix(".tar.gz")


@pytest.mark.soak
@pytest.mark.parametrize("clean_root", ["amd64", "arm64", "armhf"], indirect=True)
def test_the_first_hour_works_in_a_clean_debian_root(
    clean_root: Path, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Install from the bundle, a box comes in over TLS, its reading is stored, the page answers; upgrade, refusal, uninstall."""
    arch = str(request.node.callspec.params["clean_root"])
    shutil.copytree(bundle(arch, tmp_path / "out"), clean_root / "root" / "bundle")
    (clean_root / "root" / "site.toml").write_text(SITE)
    shutil.copy(HERE / "first_hour.sh", clean_root / "root" / "first_hour.sh")
    # A network of its own with nothing but loopback, processes of its own that end with it.
    # A 32-bit program under emulation cannot list folders of ext4 (64-bit offsets), those in memory it can. A board is not affected.
    listed = f"mount -t tmpfs tmpfs {clean_root}/etc/mosquitto/conf.d && " if arch == "armhf" else ""
    start = f"ip link set lo up && exec chroot {clean_root} sh /root/first_hour.sh"
    inside = f"{listed}mount -t proc proc {clean_root}/proc && {start}"
    plain = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LANG": "C.UTF-8"}
    done = subprocess.run(
        ["unshare", "--net", "--mount", "--pid", "--fork", "--kill-child", "sh", "-c", inside],
        capture_output=True, text=True, env=plain, timeout=1500, check=False,
    )  # fmt: skip
    print(done.stdout)
    marks = re.findall(r"^== (.*)$", done.stdout, re.M)
    assert done.returncode == 0, f"{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
    for words in (
        "dry run changed nothing",
        "second install did nothing",
        "store mode 750 holdwater",
        "secret mode 640 root:holdwater 640 root:mosquitto 600 root",
        "box enrolled",
        "wrong password: Not authorized",
        "right password over TLS: Success",
        "page answers: True",
        "stopped cleanly",
        "good certificate left alone",
        "certificate renewed",
        "broker serves the new one",
        "refused upgrade left the old release",
        "upgraded, the old release kept",
        "damaged bundle refused",
        "program gone",
        "data kept",
        "all done",
    ):
        assert words in marks, (words, marks)
    assert int(next(mark for mark in marks if mark.startswith("disk kB")).split()[-1]) < 100_000


@pytest.mark.soak
@pytest.mark.parametrize("clean_root", ["amd64-systemd"], indirect=True)
def test_the_service_runs_by_its_unit_under_a_real_systemd(clean_root: Path, tmp_path: Path) -> None:
    """Booted in a container without network: hardened unit, a reading stored, kill -9 and back, journal, certificates, uninstall."""
    need(
        shutil.which("systemd-nspawn") is not None,
        "systemd-nspawn is missing: sudo apt-get install -y systemd-container",
    )
    root = clean_root / "root"
    shutil.copytree(bundle("amd64", tmp_path / "out"), root / "bundle")
    (root / "site.toml").write_text(SITE)
    shutil.copy(HERE / "under_systemd.sh", root / "under_systemd.sh")
    units = clean_root / "etc/systemd/system"
    (units / "told.service").write_text(
        "[Unit]\nAfter=multi-user.target\n[Service]\nType=oneshot\nExecStart=/bin/sh /root/under_systemd.sh\n"
    )
    (units / "default.target.wants").mkdir(exist_ok=True)
    (units / "default.target.wants" / "told.service").symlink_to("../told.service")
    inside = f"ip link set lo up && exec systemd-nspawn -q --register=no --keep-unit -D {clean_root} -b"
    subprocess.run(["unshare", "--net", "sh", "-c", inside], capture_output=True, timeout=400, check=False)
    told = (root / "told.txt").read_text()
    print(told)
    marks = re.findall(r"^== (.*)$", told, re.M)
    for words in (
        "service active broker active",
        "second install did nothing",
        "stored under the hardened unit",
        "user holdwater",
        "killed and active again",
        "certificates looked at",
        "the journal knows severities",
        "no marks in the journal's text",
        "all done",
    ):
        assert words in marks, f"{words!r} is not in {marks}\n{told[-3000:]}"
    exposure = next(mark.split()[1] for mark in marks if mark.startswith("exposure"))
    assert float(exposure) <= 1.5
