"""Every sample config runs with its recording: nothing is set aside, and the gallons are those of the story it was made from."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import make_manual
import make_recordings
from holdwater.recording import lines
from holdwater.replay import replay
from holdwater.sitefile import open_site
from holdwater.store.reader import open_reader
from holdwater.store.rows import HOUR_MS

SAMPLES = Path(__file__).parents[2] / "sample_configs"
pytestmark = pytest.mark.slow


@pytest.mark.parametrize("name", make_manual.ORDER)
def test_a_sample_runs_with_its_recording_to_the_gallons_of_its_story(name: str, tmp_path: Path) -> None:
    """Last hour within three times the doubt it states; every tank with a sensor has a level; no message in quarantine."""
    site = open_site(SAMPLES / f"{name}.toml", {})
    with (SAMPLES / f"{name}.jsonl").open("rb") as file:
        told = replay(site, lines(file, name), tmp_path)
    assert not told.refused
    last = [make_recordings.STEPS - 2, make_recordings.STEPS - 1]
    with open_reader(tmp_path) as reader:
        assert reader.counts().get("quarantined", 0) == 0
        for tank in {each.tank for each in site.instruments.values() if each.gives_depth}:
            row = reader.levels(tank, HOUR_MS, 0, 2**62)[-1]
            body = site.tanks[tank]
            truth = sum(body.on_hand_m3(make_recordings.depth_m(body.overflow_m, at)) for at in last) / 2
            doubt = math.hypot(row.u_noise_m3, row.u_scale_m3)
            assert row.on_hand_m3 is not None
            assert abs(row.on_hand_m3 - truth) < 3 * doubt, (tank, row.on_hand_m3, truth, doubt)
            assert doubt < 0.1 * body.capacity_m3


def test_the_recordings_are_those_that_their_script_makes() -> None:
    """To the letter; who changes a sample runs tests/make_recordings.py."""
    for name in make_manual.ORDER:
        made = "\n".join(make_recordings.lines(name, open_site(SAMPLES / f"{name}.toml", {}))) + "\n"
        assert (SAMPLES / f"{name}.jsonl").read_text(encoding="utf-8") == made, name


def test_the_manual_of_sites_says_what_the_samples_say() -> None:
    """docs/sites.md is up to date; every sample but the demo's household stands in it."""
    assert make_manual.MANUAL.read_text(encoding="utf-8") == make_manual.manual()
    assert {path.stem for path in SAMPLES.glob("*.toml")} == {*make_manual.ORDER, *make_recordings.OMITTED}
