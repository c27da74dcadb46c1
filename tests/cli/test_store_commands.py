"""Commands that look after the store, as a user calls them."""

import csv
import io
import json
from pathlib import Path

import pytest

from holdwater.replay import replay
from place import HOUR_MS, MINUTE_MS, START_MS, line_text, make_site, reading, run_command, text_of

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A config whose store holds three days of two tanks."""
    folder = tmp_path_factory.mktemp("site")
    config = folder / "site.toml"
    config.write_text(text_of(folder / "store"))
    lines = []
    for n in range(6 * 72):
        at = START_MS + n * 10 * MINUTE_MS
        # 3 gal drawn at once every six hours, so that there is water to account for
        lines += [reading(at, 1.3 - (n // 36) * 0.0127), reading(at, 0.6, node="b", air_c=None)]
    (folder / "recording.jsonl").write_text("\n".join(line_text(line) for line in lines) + "\n")
    replay(make_site(folder / "store"), lines, folder / "store")
    return config


def rows(*arguments: str) -> list[dict[str, str]]:
    done = run_command("export", *arguments)
    assert done.returncode == 0, done.stderr
    return list(csv.DictReader(io.StringIO(done.stdout)))


def test_levels_are_exported_with_depth_gallons_on_hand_doubt_and_quality(site: Path) -> None:
    """One row an hour, times with their offset, household units and SI side by side."""
    found = rows("levels", "--config", str(site), "--tank", "main")
    first = found[1]
    assert first["time"].endswith("-06:00")
    assert float(first["depth_in"]) * 0.0254 == pytest.approx(float(first["depth_m"]), abs=2e-5)
    area_in2 = 3.14159265 / 4 * 42**2
    assert float(first["volume_gal"]) == pytest.approx(area_in2 * float(first["depth_in"]) / 231, rel=1e-3)
    assert float(first["on_hand_gal"]) == pytest.approx(area_in2 * (float(first["depth_in"]) - 3) / 231, rel=1e-3)
    assert 0 < float(first["u_gal"]) < 10
    assert first["quality"] == "ok"
    assert len(found) == 73


def test_levels_by_reading_and_by_day_agree_with_those_by_hour(site: Path) -> None:
    """The same figures, finer and coarser."""
    fine = rows("levels", "--config", str(site), "--tank", "main", "--span", "reading")
    days = rows("levels", "--config", str(site), "--tank", "main", "--span", "day")
    assert len(fine) == 432
    assert len(days) == 4
    mean = sum(float(row["depth_m"]) for row in fine) / len(fine)
    hours = rows("levels", "--config", str(site), "--tank", "main")
    assert sum(float(row["depth_m"]) for row in hours) / len(hours) == pytest.approx(mean, abs=0.003)


def test_days_close_opening_plus_in_minus_used_is_closing_plus_unexplained(site: Path) -> None:
    """The water book balances to the last digit shown, and finds the draws."""
    found = [row for row in rows("days", "--config", str(site), "--tank", "main") if row["whole"] == "True"]
    assert found
    for row in found:
        come = sum(float(row[f"{kind}_gal"]) for kind in ("load", "well", "caught", "rise"))
        left = float(row["opening_gal"]) + come - float(row["used_gal"])
        assert left == pytest.approx(float(row["closing_gal"]) + float(row["unexplained_gal"]), abs=0.05)
        gone = float(row["used_gal"]) + float(row["unexplained_gal"])
        assert gone == pytest.approx(12.0, abs=1.5)


def test_readings_are_exported_as_received_and_as_json_lines(site: Path) -> None:
    """Values in the unit they came in."""
    done = run_command("export", "readings", "--config", str(site), "--series", "b:gap", "--format", "jsonl")
    found = [json.loads(line) for line in done.stdout.splitlines()]
    assert {(row["value"], row["unit"]) for row in found} == {(1.4, "m")}
    assert len(found) == 432


def test_a_span_is_local_days_both_included(site: Path) -> None:
    """`--from` and `--to` take dates of the household."""
    found = rows("levels", "--config", str(site), "--tank", "main", "--from", "2026-09-22", "--to", "2026-09-22")
    assert found[0]["time"] == "2026-09-22T00:00:00-06:00"
    assert found[-1]["time"] == "2026-09-22T23:00:00-06:00"
    assert len(found) == 24


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["levels", "--tank", "moon"], "no tank 'moon'"),
        (["levels", "--from", "yesterday"], "expected: a date such as"),
        (["levels", "--out", "/nowhere/x.csv"], "cannot be written"),
        (["levels", "--store", "/nowhere"], "no store here yet"),
    ],
)
def test_what_cannot_be_exported_is_said(site: Path, arguments: list[str], words: str) -> None:
    """In words, with an exit code, never a traceback."""
    done = run_command("export", *arguments, "--config", str(site))
    assert done.returncode in (2, 3)
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_a_recording_replays_from_the_command_line_to_the_same_digest(site: Path, tmp_path: Path) -> None:
    """Twice into two stores: equal to the byte; a file that is no recording is named with its line."""
    recording = site.parent / "recording.jsonl"
    digests = []
    for name in ("one", "two"):
        done = run_command(
            "replay", str(recording), "--config", str(site), "--store", str(tmp_path / name), "--digest", "--quiet"
        )
        assert done.returncode == 0, done.stderr
        digests.append(done.stdout.splitlines()[-1])
    assert digests[0] == digests[1]
    (tmp_path / "bad.jsonl").write_text('{"at": "2026-07-01T00:00:00Z", "topic": "x", "payload": ""}\n{"at": "noon"}\n')
    bad = run_command("replay", str(tmp_path / "bad.jsonl"), "--config", str(site), "--store", str(tmp_path / "three"))
    assert bad.returncode == 2
    assert "bad.jsonl, line 2" in bad.stderr
    assert "RFC 3339" in bad.stderr


def test_backup_verify_and_restore_from_the_command_line(site: Path, tmp_path: Path) -> None:
    """The household's own way round: copy, check, put back."""
    stick = tmp_path / "stick"
    assert run_command("backup", str(stick), "--config", str(site)).returncode == 0
    checked = run_command("verify", "--config", str(site))
    assert checked.returncode == 0
    assert "sound" in checked.stdout
    back = run_command("restore", str(stick), "--config", str(site), "--store", str(tmp_path / "new"))
    assert back.returncode == 0, back.stderr
    assert "is the store now" in back.stdout
    again = rows("levels", "--config", str(site), "--store", str(tmp_path / "new"), "--tank", "main")
    assert len(again) == 73


def test_the_doctor_names_what_is_wrong_with_the_fix(site: Path) -> None:
    """No service, no broker, old readings: each a line with what to do next; exit code 1."""
    done = run_command("doctor", "--config", str(site))
    assert done.returncode == 1
    assert "WRONG  service" in done.stdout
    assert "next: start it: holdwater run" in done.stdout
    assert "ok     store" in done.stdout
    assert done.stdout.rstrip().endswith("to mend")
    assert START_MS + 72 * HOUR_MS > 0


@pytest.mark.slow
def test_an_export_of_nothing_says_so_beside_the_table(site: Path) -> None:
    """The table stays empty, and the words go where they cannot be taken for a row."""
    done = run_command("export", "notes", "--config", str(site))
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.startswith("no notes from 20")
