"""What the demo needs from outside this package, in the source tree or in the wheel: node core and sample config."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

from holdwater.errors import OutsideError

HERE = Path(__file__).resolve().parent
TREE = HERE.parents[2]  # top of the source tree, when this is run from one


def find(in_tree: str, in_wheel: str) -> Path:
    """A file or folder of the source tree, or its copy in the wheel.

    Raises:
        OutsideError: neither is there.
    """
    for path in (TREE / in_tree, HERE / in_wheel):
        if path.exists():
            return path
    raise OutsideError(
        f"{in_tree} is missing", where=str(TREE), expected="the whole source tree", do="get it anew, then ./run demo"
    )


def sample_config() -> Path:
    """The config of Quern Bench."""
    return find("sample_configs/quern-bench.toml", "quern-bench.toml")


def node_core() -> ModuleType:
    """The modules that sensor nodes run, as a package with `pack`, `ring`, `receipts` and `node` in it."""
    name = "holdwater_node_core"
    if name not in sys.modules:
        folder = find("sensors/node/core", "node_core")
        inside = [str(folder)]
        spec = importlib.util.spec_from_file_location(name, folder / "__init__.py", submodule_search_locations=inside)
        if spec is None or spec.loader is None:
            raise OutsideError("the node core cannot be read", where=str(folder))
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
        for part in ("pack", "ring", "receipts", "node"):
            setattr(module, part, importlib.import_module(f"{name}.{part}"))
    return sys.modules[name]
