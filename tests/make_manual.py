"""Writes docs/sites.md: each sample config as `check` says it, drawn as `setup` draws it, and what its recording comes to."""

from __future__ import annotations

import tempfile
from pathlib import Path

from holdwater.config.site import Site
from holdwater.config.words import exposure_words, tank_words
from holdwater.recording import lines
from holdwater.replay import replay
from holdwater.setting_up.drawing import draw
from holdwater.sitefile import open_site
from holdwater.store.reader import open_reader
from holdwater.store.rows import HOUR_MS, LevelRow
from holdwater.web.words import amount, plus_minus

ROOT = Path(__file__).parents[1]
SAMPLES = ROOT / "sample_configs"
MANUAL = ROOT / "docs" / "sites.md"
ORDER = ("one-tank", "roof-and-drinking", "joined-tanks", "buried-cylinder", "stock-tank-metric", "foreign-payloads")
HEAD = """# Sites to start from

Each of these is a file in [sample_configs](../sample_configs), with a recording of a day and a half beside it. What stands here is what
`holdwater check` says of the file, how `holdwater setup` draws the tank, and what the recording comes to. Try one:

```
holdwater replay sample_configs/one-tank.jsonl --config sample_configs/one-tank.toml --store /tmp/one-tank
holdwater export levels --config sample_configs/one-tank.toml --store /tmp/one-tank
```

Measure from above or outside; never climb in or lean into a tank. This measures amount, not safety. All names and places are invented,
the readings are made by `tests/make_recordings.py` from the physics of each sensor.
"""


def levels(site: Site, name: str, folder: Path) -> dict[str, LevelRow]:
    """The last hour's level of each tank that has one, after the recording."""
    with (SAMPLES / f"{name}.jsonl").open("rb") as file:
        replay(site, lines(file, name), folder)
    with open_reader(folder) as reader:
        found = {tank: reader.levels(tank, HOUR_MS, 0, 2**62) for tank in site.tanks}
    return {tank: rows[-1] for tank, rows in found.items() if rows}


def intro(name: str) -> str:
    """The comment at the top of a sample, as a paragraph."""
    text = (SAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    head = [line[1:].strip() for line in text.partition("\n\n")[0].splitlines()]
    return " ".join(line for line in head if not line.startswith(("holdwater", "Copy it")))


def chapter(name: str) -> str:
    """One sample."""
    site = open_site(SAMPLES / f"{name}.toml", {})
    with tempfile.TemporaryDirectory() as folder:
        told = levels(site, name, Path(folder))
    parts = [f"## {site.name}: [{name}.toml](../sample_configs/{name}.toml)", "", intro(name), "", "```"]
    for tank in site.tanks:
        parts += [*(line[2:] for line in tank_words(site, tank)), "", draw(site.tanks[tank], site.measure), ""]
    parts += [f"can freeze: {exposure_words(site, each)}" for each in site.exposures]
    parts += [
        f"route {each.name}: {each.topic} ({each.form}) becomes {each.series}, {each.unit}" for each in site.routes
    ]
    while not parts[-1]:
        parts.pop()
    parts += ["```", "", "After the recording:", ""]
    for tank, row in told.items():
        u_m3 = (row.u_noise_m3**2 + row.u_scale_m3**2) ** 0.5
        unit = site.measure.volume_unit
        parts.append(
            f"- {tank}: {amount(row.on_hand_m3, u_m3, site.measure)} {unit} on hand, ± {plus_minus(u_m3, site.measure)}"
        )
    parts += [f"- {tank}: no level, it has no sensor" for tank in site.tanks if tank not in told]
    return "\n".join(parts) + "\n"


def manual() -> str:
    """The whole page."""
    return "\n".join([HEAD, *(chapter(name) for name in ORDER)])


if __name__ == "__main__":
    MANUAL.write_text(manual(), encoding="utf-8")
