"""What the README shows is run: every command in it, the payload, the pictures, the figures."""

import re
import shlex
import shutil
from pathlib import Path

import pytest

from holdwater.cli import COMMANDS
from holdwater_sensors.senml import decode_json
from place import run_command

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
BLOCKS = re.findall(r"^ *```\n(.*?)^ *```", README, re.M | re.S)
LINES = [line.strip() for block in BLOCKS for line in block.splitlines() if line.strip()]


def test_the_readme_has_two_commands_to_begin_with() -> None:
    """One sets up and runs the main job, one sets up and passes the tests."""
    assert LINES[:2] == ["./run demo", "./run test"]


@pytest.mark.slow
@pytest.mark.parametrize(
    "line", [line for line in LINES if line.startswith("holdwater ") and " run " not in line and " status" not in line]
)
def test_a_command_of_the_readme_runs_as_it_stands(line: str, tmp_path: Path) -> None:
    """With the demo's config in the place of the household's own."""
    config = tmp_path / "my-site.toml"
    shutil.copy(ROOT / "sample_configs" / "quern-bench.toml", config)
    words = [str(config) if word == "my-site.toml" else word for word in shlex.split(line)[1:]]
    done = run_command(*words)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_every_command_is_in_the_table_and_every_row_is_a_command() -> None:
    """The list of commands is whole."""
    rows = re.findall(r"^\| (`holdwater .*?) \|", README, re.M)
    named = {
        word
        for row in rows
        for part in re.findall(r"`([^`]+)`", row)
        for word in part.replace("holdwater ", "").split()[:1]
    }
    assert named | {"demo"} == set(COMMANDS)


def test_every_command_has_help_a_person_can_follow() -> None:
    """A sentence, and every option explained."""
    import click

    from holdwater.cli import commands

    for name in COMMANDS:
        command = commands.get_command(click.Context(commands), name)
        assert command is not None
        whole = [command, *(getattr(command, "commands", {}).values())]
        for each in whole:
            assert each.help, f"{name} {each.name} has no help"
            for option in each.params:
                if isinstance(option, click.Option):
                    assert option.help or option.name in ("log_level", "most", "form"), (
                        f"{name} {each.name} --{option.name} has no help"
                    )


def test_the_sentence_of_check_in_the_readme_is_what_check_says() -> None:
    """The figure in the README is worked out, not remembered."""
    (sentence,) = re.findall(r"`(drinking: upright.*?)`", README)
    done = run_command("check", str(ROOT / "sample_configs" / "quern-bench.toml"))
    assert sentence in done.stdout


def test_the_payload_in_the_readme_is_read() -> None:
    """A hand-written reading is two readings: a gap and an air temperature."""
    (payload,) = re.findall(r"-m '(\[.*?\])'", README)
    pack = decode_json(payload.encode(), 1_790_000_000.0)
    assert [(record.quantity, record.unit, record.value) for record in pack.records] == [
        ("gap", "m", 0.61),
        ("air", "Cel", 12.5),
    ]


def test_every_file_that_a_readme_links_to_is_there() -> None:
    """No dead link, in any README of the repository."""
    for readme in [*ROOT.glob("*.md"), *ROOT.glob("[!.]*/**/*.md")]:
        if ".venv" in readme.parts:
            continue
        for target in re.findall(r"\]\((?!http|#)([^)#]+)\)", readme.read_text()):
            assert (readme.parent / target).exists(), f"{readme.relative_to(ROOT)} links to {target}"


def test_every_folder_says_what_lives_there() -> None:
    """A README in each folder of the layout."""
    for folder in ("daemon", "sensors", "tests", "deploy", "sample_configs", "docs"):
        assert (ROOT / folder / "README.md").exists(), folder
