"""The running service is light: what reads its config stays in a process that has ended."""

from __future__ import annotations

import os
import pickle
import signal
from pathlib import Path

import pytest

from holdwater.config.apart import begin, packed
from holdwater.config.secrets import Secret
from holdwater.config.site import BrokerSettings
from holdwater.errors import ConfigError, OutsideError, Problem
from holdwater.sitefile import open_site
from place import make_site

SAMPLES = sorted((Path(__file__).parents[2] / "sample_configs").glob("*.toml"))


@pytest.mark.slow
def test_a_running_service_has_no_pydantic_in_memory_and_no_child(make_daemon) -> None:
    """Its compiled part would show among the mapped files."""
    daemon = make_daemon(port=1).start()
    daemon.wait_for("ready: ")
    pid = daemon.process.pid
    assert "pydantic" not in Path(f"/proc/{pid}/maps").read_text()
    assert Path(f"/proc/{pid}/task/{pid}/children").read_text() == ""


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_a_site_comes_through_the_pipe_as_it_was_read(path: Path) -> None:
    """Every sample: the same words of its tanks, the same volumes, the same settings."""
    site = open_site(path, {})
    back = pickle.loads(packed(site))
    assert (back.sha, back.text, back.broker, back.channels, back.notices, back.exposures) == (
        site.sha,
        site.text,
        site.broker,
        site.channels,
        site.notices,
        site.exposures,
    )
    for name, tank in site.tanks.items():
        assert back.tanks[name].describe(site.measure) == tank.describe(site.measure)
        assert back.tanks[name].stand(tank.overflow_m / 2) == tank.stand(tank.overflow_m / 2)
    assert back.instruments == site.instruments


def test_a_secret_goes_through_the_pipe_and_only_there(tmp_path: Path) -> None:
    """The pipe gives it back; an ordinary pickle still refuses."""
    from dataclasses import replace

    site = replace(make_site(tmp_path), broker=BrokerSettings(password=Secret("hunter2")))
    assert pickle.loads(packed(site)).broker.password == Secret("hunter2")
    with pytest.raises(TypeError, match="not pickled"):
        pickle.dumps(site)


@pytest.mark.parametrize(
    "error",
    [
        ConfigError("site.toml", [Problem("site.name", "nothing", "a name", "write one")]),
        OutsideError("there is no such file", expected="a file", where="site.toml", do="look"),
    ],
)
def test_an_error_of_the_reading_process_is_raised_with_its_own_words(error) -> None:
    """Same class, words and exit code."""

    def read():
        raise error

    with pytest.raises(type(error)) as caught:
        begin(read).site()
    assert caught.value.words() == error.words()
    assert caught.value.exit_code == error.exit_code


def test_a_reading_process_that_is_killed_is_said_in_words() -> None:
    """As the kernel does when memory is short."""

    def read():
        os.kill(os.getpid(), signal.SIGKILL)

    with pytest.raises(OutsideError, match="was ended by signal 9"):
        begin(read).site()


@pytest.mark.slow
def test_an_idle_service_without_a_page_stays_within_forty_mebibytes(make_daemon, broker) -> None:
    """Connected, store open, nothing to do."""
    daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("connected to")
    daemon.wait_for("ready: ")
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    rss_kib = int(status.split("VmRSS:")[1].split()[0])
    assert rss_kib < 40 * 1024
