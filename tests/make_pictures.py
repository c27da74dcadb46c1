"""Make the pictures of the README: `python tests/make_pictures.py CONFIG PORT` beside `holdwater demo --keep DIR --port PORT`."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

PICTURES = Path(__file__).parents[1] / "docs" / "pictures"


def main(config: str, port: str) -> None:
    """Now as a PNG out of Chromium, the season as the SVG that `holdwater graph` saves."""
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"))
        page = browser.new_page(viewport={"width": 1280, "height": 800}, color_scheme="light")
        page.goto(f"http://127.0.0.1:{port}/")
        page.wait_for_timeout(1500)
        page.screenshot(path=str(PICTURES / "now.png"), full_page=True)
        browser.close()
    season = str(PICTURES / "season.svg")
    subprocess.run([sys.executable, "-m", "holdwater", "graph", "--config", config, "--out", season], check=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
