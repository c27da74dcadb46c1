"""`holdwater notice` as a household calls it, against a running service and real peers."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from alerts.peers import answers, serving
from holdwater.alerts.kinds import KINDS
from holdwater.cli.notice import command
from holdwater.errors import OutsideError, UsageError
from place import MINUTE_MS, START_MS, Daemon, line_text, reading, run_command, text_of


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    """A service whose tank was found low in what was replayed into its store; no broker."""
    made = Daemon(tmp_path, text_of(tmp_path / "store", port=9))
    recording = tmp_path / "recording.jsonl"
    recording.write_text(
        "\n".join(line_text(reading(START_MS + minute * MINUTE_MS, 0.3)) for minute in range(30)) + "\n"
    )
    fed = run_command("replay", str(recording), "--config", str(made.config), "--quiet")
    assert fed.returncode == 0, fed.stderr
    made.start()
    made.wait_for("ready")
    yield made
    made.end()


@pytest.mark.slow
def test_notices_are_listed_seen_and_kept_quiet(daemon: Daemon) -> None:
    """What is on, with its number; *seen*; *quiet*; a number that is not on says so."""
    config = ["--config", str(daemon.config)]
    runner = CliRunner()
    listed = runner.invoke(command, ["list", *config], catch_exceptions=False).output
    assert "Main tank" in listed
    number = listed[1 : listed.index("]")]
    assert (
        runner.invoke(command, ["seen", number, *config], catch_exceptions=False).output == f"notice {number}: seen\n"
    )
    again = runner.invoke(command, ["seen", number, *config], catch_exceptions=False).output
    assert "not on, or was seen before" in again
    assert _soon(config, "seen")
    past = runner.invoke(command, ["past", *config], catch_exceptions=False).output
    assert past.startswith(f"[{number}] low, main: act today, Mon 21 Sep 08:2")
    assert ", seen " in past.splitlines()[0]
    assert past.rstrip().endswith("still on")
    with pytest.raises(OutsideError, match="no store"):
        runner.invoke(command, ["past", *config, "--store", "/nowhere"], catch_exceptions=False)
    said = runner.invoke(command, ["quiet", number, "--for", "2 h", *config], catch_exceptions=False).output
    assert said.startswith(f"notice {number}: quiet for 2 h")
    assert _soon(config, "quiet until")
    with pytest.raises(OutsideError, match="99"):
        runner.invoke(command, ["quiet", "99", *config], catch_exceptions=False)


def _soon(config: list[str], word: str) -> bool:
    """Whether the first line of the list says it within 3 s: the picture that is listed is renewed four times a second."""
    end_s = time.monotonic() + 3
    while time.monotonic() < end_s:
        if word in CliRunner().invoke(command, ["list", *config], catch_exceptions=False).output.splitlines()[0]:
            return True
    return False


def test_texts_of_every_kind_are_printed() -> None:
    """Each kind with when it comes, what to do and every text; metric on request."""
    runner = CliRunner()
    printed = runner.invoke(command, ["texts"], catch_exceptions=False).output
    for kind in KINDS.values():
        assert f"{kind.name} (" in printed
        assert kind.manual in printed
    assert "gal" in runner.invoke(command, ["texts", "low"], catch_exceptions=False).output
    metric = runner.invoke(command, ["texts", "low", "--metric"], catch_exceptions=False).output
    assert "307 L" in metric
    assert "81 gal" not in metric


def test_texts_of_an_unknown_kind_says_which_there_are() -> None:
    """Words, no traceback."""
    with pytest.raises(UsageError, match="in-doubt"):
        CliRunner().invoke(command, ["texts", "lwo"], catch_exceptions=False)


@pytest.mark.slow
def test_test_says_the_truth_about_each_channel(tmp_path: Path) -> None:
    """One that takes it, one that does not; exit code 1; what was sent says that nothing is wrong."""
    with serving(answers("200 OK")) as good, serving(answers("503 Service Unavailable")) as bad:
        more = "".join(
            f'\n[channel.{name}]\nkind = "webhook"\nurl = "{peer.url()}"\nallow = ["127.0.0.1"]\n'
            for name, peer in (("good", good), ("bad", bad))
        )
        config = tmp_path / "site.toml"
        config.write_text(text_of(tmp_path / "store", port=9, more=more))
        result = CliRunner().invoke(
            command, ["test", "good", "bad", "mqtt", "--config", str(config)], catch_exceptions=False
        )
        assert result.exit_code == 1
        assert "good (webhook): taken" in result.output
        assert "bad (webhook): NOT taken: it answered 503" in result.output
        assert "mqtt (mqtt): NOT taken: the broker did not take it" in result.output
        assert json.loads(good.body())["short"].startswith("TEST from holdwater: nothing is wrong.")
        alone = CliRunner().invoke(command, ["test", "good", "--config", str(config)], catch_exceptions=False)
        assert alone.exit_code == 0
        with pytest.raises(UsageError, match="good"):
            CliRunner().invoke(command, ["test", "god", "--config", str(config)], catch_exceptions=False)
        with_flag = CliRunner().invoke(
            command, ["--test"], env={"HOLDWATER_CONFIG": str(config)}, catch_exceptions=False
        )
        assert "good (webhook): taken" in with_flag.output


@pytest.mark.slow
@pytest.mark.parametrize(
    ("status", "words", "code"), [("200 OK", "taken", 0), ("404 No", "NOT taken: it answered 404", 1)]
)
def test_test_tries_the_heartbeat_too(tmp_path: Path, status: str, words: str, code: int) -> None:
    """By itself under its name, or with all channels."""
    with serving(answers(status)) as peer:
        more = f'\n[heartbeat]\nurl = "{peer.url()}"\nallow = ["127.0.0.1"]\n'
        config = tmp_path / "site.toml"
        config.write_text(text_of(tmp_path / "store", port=9, more=more))
        runner = CliRunner()
        alone = runner.invoke(command, ["test", "heartbeat", "--config", str(config)], catch_exceptions=False)
        assert (alone.output.strip(), alone.exit_code) == (f"heartbeat (GET): {words}", code)
        every = runner.invoke(command, ["test", "--config", str(config)], catch_exceptions=False)
        assert f"heartbeat (GET): {words}" in every.output
        other = runner.invoke(command, ["test", "log", "--config", str(config)], catch_exceptions=False)
        assert "heartbeat" not in other.output
