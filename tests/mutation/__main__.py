"""Mutation score of the rules and states of notices: small faults are planted in the code, one at a time, and the tests must find them.

    python -m mutation [states] [kinds] [rules] [--keep DIR]

mutmut knows sources below `src/` only, so a copy of the tree in its layout is made in a temporary folder. Faults are planted in what
decides, not in functions that make a text: texts are held by their own tests (length, alphabet, units, a verb), not letter by letter.
"""

from __future__ import annotations

import argparse
import ast
import os
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LEAST = 90.0


@dataclass(frozen=True)
class Part:
    """What is mutated, and the tests that must find it."""

    files: tuple[str, ...]
    tests: tuple[str, ...]


FAST = (
    "test_judgements",
    "test_alert_states",
    "test_kinds",
    "test_texts",
    "test_settings",
    "test_gaps",
    "test_updates",
    "test_flow_line",
    "test_haul_kinds",
    "test_water_kinds",
)
PARTS = {
    "states": Part(("states.py", "matter.py"), FAST),
    "kinds": Part(("kinds/[a-z]*.py",), FAST),
    "rules": Part(("engine.py", "matters.py", "heard.py", "flow.py", "notes.py"), (*FAST, "test_second_channel")),
}


def main() -> int:
    """Mutate, print the scores, 1 when one is below the least."""
    asked = argparse.ArgumentParser(prog="./run mutate")
    asked.add_argument("parts", nargs="*", help=f"of: {', '.join(PARTS)}; all when left out")
    asked.add_argument("--keep", type=Path, help="a folder for the copy, kept for `mutmut show NAME` in it")
    given = asked.parse_args()
    scores = []
    for name in given.parts or list(PARTS):
        folder = (given.keep or Path(tempfile.mkdtemp(prefix="holdwater-mutation-"))) / name
        lay_out(folder, PARTS[name])
        chosen = deciding(folder, PARTS[name])
        subprocess.run(
            [sys.executable, "-m", "mutmut", "run", *chosen],
            cwd=folder,
            env=environment(),
            check=False,
            stdout=sys.stderr,
        )
        scores.append(report(name, folder))
        if given.keep is None:
            shutil.rmtree(folder.parent)
    return 0 if min(scores) >= LEAST else 1


def environment() -> dict[str, str]:
    """Ours, without a path that would bring in the code as it is."""
    return {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | {
        "PYTHONPATH": os.environ.get("MUTMUT_PATH", "")
    }


def lay_out(folder: Path, part: Part) -> None:
    """A copy of the tree as mutmut wants it, with its settings."""
    skip = shutil.ignore_patterns("__pycache__", "*.pyc")
    shutil.copytree(ROOT / "daemon" / "holdwater", folder / "src" / "holdwater", ignore=skip)
    shutil.copytree(ROOT / "sensors" / "holdwater_sensors", folder / "src" / "holdwater_sensors", ignore=skip)
    for name in ("tests", "sample_configs", "docs"):
        shutil.copytree(ROOT / name, folder / name, ignore=skip)
    only = [f"src/holdwater/alerts/{each}" for each in part.files]
    tests = [f"tests/alerts/{each}.py" for each in part.tests]
    pytest = (
        (ROOT / "pyproject.toml")
        .read_text(encoding="utf-8")
        .split("[tool.pytest.ini_options]", 1)[1]
        .split("\n[", 1)[0]
    )
    settings = f"""
[tool.mutmut]
source_paths = ["src"]
only_mutate = {only}
also_copy = ["sample_configs", "docs"]
pytest_add_cli_args_test_selection = {tests}
pytest_add_cli_args = ["-p", "no:cacheprovider", "-p", "no:randomly", "-m", "not soak"]
track_dependencies = false
use_git_change_detection = false

[tool.pytest.ini_options]{pytest}
"""
    (folder / "pyproject.toml").write_text(settings, encoding="utf-8")


def deciding(folder: Path, part: Part) -> list[str]:
    """Patterns for the faults in functions whose result is no text."""
    patterns = []
    for path in sorted(each for glob in part.files for each in (folder / "src" / "holdwater" / "alerts").glob(glob)):
        module = ".".join(path.relative_to(folder / "src").with_suffix("").parts)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        owners: list[tuple[str, ast.AST]] = [("x_", tree)]
        owners += [(f"xǁ{each.name}ǁ", each) for each in tree.body if isinstance(each, ast.ClassDef)]
        for prefix, owner in owners:
            for each in ast.iter_child_nodes(owner):
                if isinstance(each, ast.FunctionDef) and not about_words(each):
                    patterns.append(f"{module}.{prefix}{each.name}__mutmut_*")
    return patterns


def about_words(function: ast.FunctionDef) -> bool:
    """Whether a function makes a text, or serves one: what it is given is what a text is made of."""
    given = [ast.unparse(each.annotation) for each in function.args.args if each.annotation is not None]
    return "Telling" in given or (function.returns is not None and ast.unparse(function.returns) == "str")


def report(name: str, folder: Path) -> float:
    """Print what came of each module's faults; the score of those that change more than words, %."""
    listed = subprocess.run(
        [sys.executable, "-m", "mutmut", "results", "--all", "true"],
        cwd=folder, env=environment(), check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    found: Counter[str] = Counter()
    words: Counter[str] = Counter()
    for line in listed.splitlines():
        mutant, _, outcome = line.strip().rpartition(": ")
        if not mutant or outcome == "not checked":
            continue
        (words if only_words(folder, mutant) else found)[outcome] += 1
        if outcome not in ("killed", "timeout", "caught by type check") and not only_words(folder, mutant):
            print(f"  {outcome}: {mutant}")
    total, killed = sum(found.values()), found["killed"] + found["timeout"]
    score = 100.0 * killed / total if total else 100.0
    print(f"{name}: {score:.1f} % of {total} faults found {dict(found)}; faults in words only: {dict(words)}")
    return score


def only_words(folder: Path, mutant: str) -> bool:
    """Whether a fault changes nothing but text between quotes."""
    module, _, function = mutant.rpartition(".")
    path = folder / "mutants" / "src" / Path(*module.split("."))
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    changed, original = functions(path, function)
    return changed is not None and original is not None and changed == original


_CACHE: dict[Path, dict[str, str]] = {}


def functions(path: Path, name: str) -> tuple[str | None, str | None]:
    """A mutated function and the one it comes from, with every word blanked."""
    if path not in _CACHE:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        _CACHE[path] = {
            node.name: blanked(node)
            for node in ast.walk(tree)
            if isinstance(node, ast.FunctionDef) and "__mutmut_" in node.name
        }
    stem = name.rsplit("__mutmut_", 1)[0]
    return _CACHE[path].get(name), _CACHE[path].get(f"{stem}__mutmut_orig")


class Blank(ast.NodeTransformer):
    """Blanks text with a space in it: words for people; a key or a name stays."""

    def visit_Constant(self, node: ast.Constant) -> ast.Constant:
        """A text becomes an empty one."""
        return ast.Constant("") if isinstance(node.value, str) and (" " in node.value or len(node.value) < 2) else node


def blanked(node: ast.FunctionDef) -> str:
    """The body of a function without its words."""
    return "\n".join(ast.dump(Blank().visit(each)) for each in node.body)


if __name__ == "__main__":
    sys.exit(main())
