"""The tree keeps its own rules: layers, types and lint are part of the tests."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["ruff", "check", "."], id="ruff-check"),
        pytest.param(["ruff", "format", "--check", "."], id="ruff-format"),
        pytest.param(["mypy"], id="mypy-strict"),
        pytest.param(["lint-imports", "--no-cache"], id="import-contracts"),
    ],
)
def test_the_tree_passes(command: list[str]) -> None:
    """Lint, formatting, strict types and the import contracts hold for the whole tree."""
    tool = Path(sys.executable).parent / command[0]
    done = subprocess.run([str(tool), *command[1:]], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_only_the_agreed_names_stand_at_the_top() -> None:
    """The top level holds the agreed files and folders, hidden ones and what builds leave aside."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.splitlines()
    top = {line.split("/")[0] for line in listed if not line.startswith(".")}
    agreed = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "src", "tests", "simulators", "hardware_notes"}
    assert top <= agreed


def test_watching_loads_nothing_heavy() -> None:
    """The watching process imports no package that only review, reports or the window need."""
    heavy = {"scipy", "jinja2", "sqlite3", "PySide6", "matplotlib", "asammdf", "pandas", "can"}
    code = "import sys, pullwatch.station; print(*{name.split('.')[0] for name in sys.modules})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not heavy & set(done.stdout.split())


def test_the_package_itself_imports_nothing() -> None:
    """`import pullwatch` costs nothing, so that the sentinel starts at once."""
    code = "import sys; before = set(sys.modules); import pullwatch; print(*(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["pullwatch"]


def test_every_dependency_is_bounded() -> None:
    """Every dependency names the version it must stay below."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    named = project["project"]["dependencies"] + project["dependency-groups"]["dev"]
    assert all("<" in requirement for requirement in named)
