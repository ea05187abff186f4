"""The shape of the house: sizes, layers, and what may stand where."""

import ast
import graphlib
import re
import statistics
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

from leverarm_daemon import errors

ROOT = Path(__file__).parents[2]
PACKAGES = {name: ROOT / name / f"leverarm_{name}" for name in ("daemon", "api", "simulators")}
TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "daemon", "api", "deploy", "tests", "simulators"}

LONGEST_FILE = 400
LONGEST_FUNCTION = 40
MEDIAN_BELOW = 12
P90_BELOW = 25


@cache
def files() -> tuple[Path, ...]:
    """Give the files that are tracked, or would be."""
    command = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    return tuple(path for name in listed.splitlines() if (path := ROOT / name).is_file())


def python_files(*, tests: bool) -> list[Path]:
    return [path for path in files() if path.suffix == ".py" and (ROOT / "tests" in path.parents) is tests]


def text_of(path: Path) -> str:
    """Give a file's text, or nothing where it is not text."""
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def function_lengths(path: Path) -> dict[str, int]:
    """Give the lines of each function, of those inside functions too."""
    found = ast.walk(ast.parse(text_of(path)))
    functions = [node for node in found if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)]
    place = path.relative_to(ROOT)
    return {f"{place}:{f.lineno} {f.name}": (f.end_lineno or f.lineno) - f.lineno + 1 for f in functions}


def module_name(path: Path) -> str:
    parts = path.with_suffix("").parts
    start = next(i for i, part in enumerate(parts) if part.startswith("leverarm_"))
    return ".".join(parts[start:]).removesuffix(".__init__")


@cache
def modules() -> dict[str, Path]:
    """Give all modules of the three packages."""
    inside = [path for path in python_files(tests=False) if set(path.parents) & set(PACKAGES.values())]
    return {module_name(path): path for path in inside}


def imports(path: Path) -> Iterator[str]:
    """Give the modules of ours that a file imports, wherever in it."""
    for node in ast.walk(ast.parse(text_of(path))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in modules())
        elif isinstance(node, ast.ImportFrom) and node.module:
            deeper = {f"{node.module}.{alias.name}" for alias in node.names} & modules().keys()
            yield from deeper or ({node.module} & modules().keys())


def test_the_top_level_is_as_drawn() -> None:
    tops = {path.relative_to(ROOT).parts[0] for path in files()}
    assert {top for top in tops if not top.startswith(".")} == TOP


def test_no_file_is_too_long() -> None:
    # Documents are read by leafing, code is not.
    lengths = {path: text_of(path).count("\n") for path in files() if path.suffix != ".md"}
    too_long = {str(path.relative_to(ROOT)): n for path, n in lengths.items() if n > LONGEST_FILE}
    assert not too_long


@pytest.mark.parametrize("tests", [False, True], ids=["program", "tests"])
def test_functions_are_short(tests: bool) -> None:
    lengths: dict[str, int] = {}
    for path in python_files(tests=tests):
        lengths |= function_lengths(path)
    assert not {name: n for name, n in lengths.items() if n > LONGEST_FUNCTION}
    assert statistics.median(lengths.values()) < MEDIAN_BELOW
    assert statistics.quantiles(lengths.values(), n=10)[-1] < P90_BELOW


def test_no_import_goes_in_a_circle() -> None:
    graph = {name: set(imports(path)) - {name} for name, path in modules().items()}
    assert sum(map(len, graph.values())) > len(graph) / 2, "the graph is too thin to be true"
    graphlib.TopologicalSorter(graph).prepare()  # raises CycleError, which names the circle


IMPORT_EACH_ALONE = """
import importlib, os, sys
failed = []
for name in sys.argv[1:]:
    child = os.fork()
    if not child:
        importlib.import_module(name)
        os._exit(0)
    if os.waitpid(child, 0)[1]:
        failed.append(name)
sys.exit(" ".join(failed) or 0)
"""


def test_each_module_can_be_imported_alone_without_a_warning() -> None:
    command = [sys.executable, "-W", "error", "-c", IMPORT_EACH_ALONE, *modules()]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_import_contracts_are_kept() -> None:
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([program], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert re.search(r"\b[4-9] kept, 0 broken", done.stdout)


def error_classes() -> dict[str, str]:
    """Give our errors, wherever they are written, with the error that each one is a kind of."""
    trees = [ast.parse(text_of(path)) for path in modules().values()]
    classes = [node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
    bases = {node.name: ast.unparse(node.bases[0]).split(".")[-1] for node in classes if node.bases}
    found: dict[str, str] = {}
    while more := {n for n, base in bases.items() if base in {"LeverarmError", *found}} - found.keys():
        found |= {name: bases[name] for name in more}
    return found


def test_the_tree_of_errors_is_drawn_as_it_is() -> None:
    drawn: dict[str, str] = {}
    above: list[tuple[int, str]] = []
    for indent, name in re.findall(r"^( *)([A-Z]\w+)(?= {2,}|$)", errors.__doc__ or "", re.MULTILINE):
        above = [(depth, parent) for depth, parent in above if depth < len(indent)]
        if above:
            drawn[name] = above[-1][1]
        above.append((len(indent), name))
    assert drawn == error_classes()


HOSTS = re.compile(r"\b(?:https?|git|ssh)://([^\s/'\"`)>]*)|\b((?:[a-z0-9-]+\.)+(?:org|com))\b")
OURS = re.compile(
    r"|localhost(:.*)?|127\.0\.0\.1(:.*)?|0\.0\.0\.0(:.*)?|\[::1?\](:.*)?"  # this machine
    r"|.*[{$%<\\|].*"  # made at run time
    r"|(\w+\.)?example(\.(org|com|net))?(:.*)?|leverarm\.local(:.*)?|[a-z.-]+\.test(:.*)?"  # nobody's
    r"|www\.w3\.org|json-schema\.org"  # names of vocabularies; nothing is fetched from there
)


def test_no_host_outside_is_named() -> None:
    named = {
        f"{path.relative_to(ROOT)}: {host}"
        for path in files()
        for pair in HOSTS.findall(text_of(path))
        if not OURS.fullmatch(host := "".join(pair))
    }
    assert not named


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("https:" "//packages.invalid/simple", "packages.invalid"),
        ("see files.somewhere" ".org", "files.somewhere" ".org"),
        ("http://127.0.0.1:8750/v1", None),
        ("http://{host}:{port}", None),
    ],
)
def test_the_look_for_hosts_finds_them(text: str, found: str | None) -> None:
    hosts = ["".join(pair) for pair in HOSTS.findall(text)]
    assert [host for host in hosts if not OURS.fullmatch(host)] == ([found] if found else [])
