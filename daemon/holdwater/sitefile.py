"""The config file as the service and the commands read it: everything that is wrong with it at once, notices too.

`config.load` knows nothing of the kinds of notice (they stand above it); here both meet.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from holdwater.alerts.settings import problems
from holdwater.config.channels import with_defaults
from holdwater.config.load import Named, load, loads
from holdwater.config.site import Site
from holdwater.errors import Problem


def open_site(path: Path, environ: Mapping[str, str]) -> Site:
    """The site of a config file; raises as `config.load.load`."""
    return load(path, environ, notice_problems)


def site_of(text: str, path: str, environ: Mapping[str, str]) -> Site:
    """The site of a config text; raises as `config.load.loads`."""
    return loads(text, path, environ, notice_problems)


def notice_problems(named: Named) -> list[Problem]:
    """What is wrong with the notices, by the kinds there are."""
    return list(problems(named.notices, named.tanks, with_defaults(named.channels)))
