"""All kinds of notice, found by listing this package: a module that exports `KIND` is a kind."""

from __future__ import annotations

import pkgutil
from collections.abc import Mapping
from importlib import import_module

from holdwater.alerts.kind import Kind


def _found() -> dict[str, Kind]:
    kinds = (import_module(f"{__name__}.{found.name}").KIND for found in pkgutil.iter_modules(__path__))
    return {kind.name: kind for kind in sorted(kinds, key=lambda kind: kind.name)}


KINDS: Mapping[str, Kind] = _found()
