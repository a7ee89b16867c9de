"""The rules of the house that a machine can hold: each is a function from text to problems.

Every rule is shown once on a text that breaks it, so that no rule is one that cannot fail.
"""

import ast
import json
import re
import shlex
import shutil
import subprocess
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from reviewkit import cli

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "reviewkit"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
README = (ROOT / "README.md").read_text(encoding="utf-8")

# What is there to start the kit, to start it again, or to be an empty roof.
NO_MODULE = {"__init__", "__main__", "cli"}
# A package that only serves one door in front of it is tested through that door.
TESTED_THROUGH = {
    "intake": "tests/test_part.py",
    "figures": "tests/test_figures.py",
    "panels.intake": "tests/panels/test_intake.py",
}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "reviewkit", "workbooks", "tests", "data"}
MOST_CODE_LINES = 80

# Spelled in halves, because this file is held to its own rules.
MACHINE_PATHS = tuple(f"/{name}/" for name in ("work", "opt", "root"))
UNFINISHED = ("TO" "DO", "FIX" "ME", "raise NotImpl" "ementedError")  # fmt: skip

# A unit is a power of a sign, or products and a quotient of such, as in N mm and mm3/s; in names with _ for both.
SIGN = r"(?:mm|cm|m|N|MPa|J|g|kg|s|h|years|deg|degrees|px|pt|K|C|Hz|W)[2-5]?"
UNIT = re.compile(rf"-|(?:1/)?{SIGN}(?: {SIGN})*(?:/{SIGN})?")
UNIT_NAME = re.compile(rf"_{SIGN}$|^mm_per_")
# A mapping by name has as many units as names.
FLOATS = re.compile(r"^(?!Mapping\b).*\b(float|Floats|Vector)\b")


# --- what the rules read ---------------------------------------------------------------------


def modules() -> dict[str, str]:
    """Source of each module of the package by its name below it, such as ``measure.walls``."""
    sources = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[0] != "_shipped":
            sources[".".join(parts)] = path.read_text(encoding="utf-8")
    return sources


MODULES = modules()


def import_order(developers: str) -> list[str]:
    """Names of the table of DEVELOPERS.md under its heading, from the top of the order down."""
    section = developers.split("## Import order")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    return [name.rstrip("/") for row in rows for name in re.findall(r"`([^`]+)`", row)]


ORDER = import_order((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def tracked() -> list[str]:
    """Every file that the repository holds."""
    if shutil.which("git") is None:
        pytest.skip("git is not here to say which files the repository holds")
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"git cannot say which files the repository holds: {done.stderr.strip()}")
    return [name for name in done.stdout.split("\0") if name and (ROOT / name).is_file()]


# --- imports ---------------------------------------------------------------------------------


def imported(source: str) -> Iterator[str]:
    """Full names that a source imports, wherever in it; ``from a import b`` gives ``a.b``."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            start = "." * node.level + (node.module or "")
            yield from (f"{start}.{alias.name}" for alias in node.names)


def order_problems(name: str, source: str, order: Sequence[str]) -> list[str]:
    """Imports of modules that stand further down the order, or in none."""
    own = name.split(".")[0]
    if own == "__main__":
        return []
    if own not in order:
        return [f"{own} has no place in the order of DEVELOPERS.md"]
    problems = []
    for full in imported(source):
        parts = full.split(".")
        if not parts[0]:
            problems.append(f"relative import of {full}")
        elif parts[0] == "reviewkit" and len(parts) > 1 and parts[1] != own:
            if parts[1] not in order:
                problems.append(f"{full} has no place in the order of DEVELOPERS.md")
            elif order.index(parts[1]) > order.index(own):
                problems.append(f"{full} stands below {own} in the order")
    return problems


def sibling_problems(name: str, source: str) -> list[str]:
    """Imports of one module of ``checks`` by another; a package may gather its own."""
    if not name.startswith("checks."):
        return []
    own = f"reviewkit.{name.removesuffix('__init__')}" if name.endswith("__init__") else "nothing"
    known = [full for full in imported(source) if re.match(r"(reviewkit\.checks\b|\.)", full)]
    return [full for full in known if not full.startswith(own)]


def library_problems(name: str, source: str) -> list[str]:
    """Drawing and widgets outside the modules that may use them."""
    homes = {"matplotlib": ("figures", "panels"), "ipywidgets": ("panels",)}
    used = {full.split(".")[0] for full in imported(source)}
    return [library for library, home in homes.items() if library in used and name.split(".")[0] not in home]


@pytest.mark.parametrize("name", [name for name in MODULES if name != "__init__"])
def test_imports_go_up_the_order(name):
    assert order_problems(name, MODULES[name], ORDER) == []


@pytest.mark.parametrize(
    "source",
    [
        "from reviewkit.review import review",
        "from reviewkit import review as front",
        "import reviewkit.checks.printability.plate",
        "def late():\n    from reviewkit.cli import main",
        "from .limits import load_limits",
        "from reviewkit.nowhere import thing",
    ],
)
def test_an_import_down_the_order_is_found(source):
    assert len(order_problems("measure.walls", source, ORDER)) == 1


def test_a_module_without_a_place_is_found():
    assert order_problems("gadget", "", ORDER)


def test_order_has_no_name_twice_and_none_that_is_gone():
    assert len(ORDER) == len(set(ORDER))
    assert [name for name in ORDER if not (PACKAGE / name).is_dir() and name not in MODULES] == []


@pytest.mark.parametrize("name", MODULES)
def test_checks_do_not_know_one_another_and_only_figures_draw(name):
    assert sibling_problems(name, MODULES[name]) == []
    assert library_problems(name, MODULES[name]) == []


def test_siblings_and_libraries_out_of_place_are_found():
    assert sibling_problems("checks.walls", "from reviewkit.checks.printability.plate import plate_fit")
    assert sibling_problems("checks.walls", "from reviewkit.checks import CHECKS")
    assert sibling_problems("checks.walls", "from . import plate")
    assert sibling_problems("checks.printability.walls", "from reviewkit.checks.printability.plate import plate_fit")
    assert sibling_problems("checks.printability.__init__", "import reviewkit.checks.intake")
    assert not sibling_problems("checks.printability.__init__", "from reviewkit.checks.printability.plate import a")
    assert not sibling_problems("checks.__init__", "from reviewkit.checks.printability.plate import plate_fit")
    assert not sibling_problems("figures.walls", "from reviewkit.figures.style import text")
    assert library_problems("document.page", "def f():\n    from matplotlib.figure import Figure") == ["matplotlib"]
    assert library_problems("figures", "import ipywidgets as w") == ["ipywidgets"]


# --- docstrings ------------------------------------------------------------------------------


def documented_parameters(docstring: str) -> dict[str, str] | None:
    """Text about each parameter by its name, in order; none without a section of them."""
    found = re.search(r"^Parameters\n-+\n(.*?)(?=\n\n[A-Z]\w+\n-+\n|\Z)", docstring, re.DOTALL | re.MULTILINE)
    if found is None:
        return None
    entries: dict[str, str] = {}
    names: list[str] = []
    for line in found[1].splitlines():
        if line and not line[0].isspace():
            names = line.split(" : ")[0].split(", ")
            entries |= dict.fromkeys((name.lstrip("*") for name in names), line)
        else:
            entries |= {name.lstrip("*"): f"{entries[name.lstrip('*')]}\n{line}" for name in names}
    return entries


def has_unit(text: str) -> bool:
    """Whether a text names a unit in square brackets, or says that another place does."""
    brackets = [bracket.split(", ") for bracket in re.findall(r"\[([^\[\]]+)\]", text)]
    named = any(all(map(UNIT.fullmatch, bracket)) or re.search(r"\bunit\b", bracket[0]) for bracket in brackets)
    return named or re.search(r"\bas (in|for) :", text, re.IGNORECASE) is not None


def signature(node: ast.FunctionDef) -> dict[str, str]:
    """Annotation of each parameter of a function by its name."""
    every = node.args
    arguments = [*every.posonlyargs, *every.args, every.vararg, *every.kwonlyargs, every.kwarg]
    return {
        argument.arg: ast.unparse(argument.annotation) if argument.annotation else ""
        for argument in arguments
        if argument is not None and argument.arg not in ("self", "cls")
    }


def fields(node: ast.ClassDef) -> dict[str, str]:
    """What a class is made from: its own annotated fields, or else what its constructor takes."""
    own = [item for item in node.body if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name)]
    made = [item for item in node.body if isinstance(item, ast.FunctionDef) and item.name == "__init__"]
    return signature(made[0]) if made else {ast.unparse(item.target): ast.unparse(item.annotation) for item in own}


def docstring_problems(source: str) -> list[str]:
    """Public functions and classes without documentation, or whose parameters it gets wrong."""
    problems = []
    for node, name in public(ast.parse(source), ""):
        docstring = ast.get_docstring(node) or ""
        if not docstring:
            problems.append(f"{name} has no docstring")
            continue
        is_class = isinstance(node, ast.ClassDef)
        wanted = fields(node) if is_class else signature(node)
        told = documented_parameters(docstring)
        if told is not None and sorted(told) != sorted(wanted):
            problems.append(f"{name} documents {', '.join(told)}; it takes {', '.join(wanted)}")
            continue
        for parameter, annotation in wanted.items():
            if not FLOATS.search(annotation):
                continue
            if told is not None:
                settled = has_unit(told[parameter])
            else:
                # The unit may be a parameter itself; a record may say what a bare number is in its own words.
                in_words = "unit" in wanted or (is_class and f"``{parameter}``" in docstring)
                settled = bool(UNIT_NAME.search(parameter)) or has_unit(docstring) or in_words
            if not settled:
                problems.append(f"{name}: {parameter} has no unit")
    return problems


def public(node: ast.Module | ast.ClassDef, prefix: str) -> Iterator[tuple[ast.FunctionDef | ast.ClassDef, str]]:
    """Every public function, class and method with its dotted name."""
    for item in node.body:
        if isinstance(item, ast.FunctionDef | ast.ClassDef) and not item.name.startswith("_"):
            yield item, f"{prefix}{item.name}"
            if isinstance(item, ast.ClassDef):
                yield from public(item, f"{prefix}{item.name}.")


@pytest.mark.parametrize("name", MODULES)
def test_docstrings_are_there_and_tell_the_truth(name):
    assert ast.get_docstring(ast.parse(MODULES[name]))
    assert docstring_problems(MODULES[name]) == []


GOOD = '''
def f(a_mm: float, b: float = 0.0):
    """Sum.

    Parameters
    ----------
    a_mm : float
        First [mm].
    b : float
        Second, in [0, 1) [-].

    Returns
    -------
    float
    """
'''


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("Sum.", "Total."), ""),
        (("    b : float\n        Second, in [0, 1) [-].\n", ""), "documents a_mm; it takes a_mm, b"),
        (("    b : float\n", "    c : float\n"), "documents a_mm, c; it takes a_mm, b"),
        ((" [mm].", " in mm."), "a_mm has no unit"),
        ((" [-].", "."), "b has no unit"),
        (("First [mm]", "First [furlong]"), "a_mm has no unit"),
        (("First [mm]", "First [N mm]"), ""),
        (("First [mm]", "First [mm3/s]"), ""),
        (("First [mm]", "First, of each [mm2, mm, deg]"), ""),
        (("First [mm]", "First [mm, furlong]"), "a_mm has no unit"),
    ],
)
def test_docstrings_that_lie_are_found(change, problem):
    assert change[0] in GOOD
    found = docstring_problems(GOOD.replace(*change))
    assert found == [] if not problem else len(found) == 1 and problem in found[0]


@pytest.mark.parametrize(
    ("source", "count"),
    [
        ("def f():\n    pass", 1),
        ("class A:\n    def g(self):\n        pass", 2),
        ("def _f():\n    pass", 0),
        ('def f(x_mm: float):\n    """Twice."""', 0),
        ('def f(x: float):\n    """Twice [-]."""', 0),
        ('def f(x: float):\n    """Twice."""', 1),
        ('class R:\n    """Record."""\n    share: float', 1),
        ('class R:\n    """Record; ``share`` is of the whole."""\n    share: float', 0),
        ('class R:\n    """Record."""\n    value: float\n    unit: str', 0),
        ('def f(value: float, unit: str):\n    """Words."""', 0),
        ('class R:\n    """R.\n\n    Parameters\n    ----------\n    a : int\n        So.\n    """\n    b: int', 1),
    ],
)
def test_public_things_need_docstrings_and_units(source, count):
    assert len(docstring_problems(source)) == count


# --- tests -----------------------------------------------------------------------------------


def untested(sources: Mapping[str, str], there: set[str]) -> list[str]:
    """Modules with something to run that no test file mirrors."""
    missing = []
    for name, source in sources.items():
        if not any(isinstance(node, ast.FunctionDef) for node in ast.walk(ast.parse(source))):
            continue
        *packages, last = name.split(".")
        mirror = "/".join(["tests", *packages, f"test_{last}.py"])
        through = TESTED_THROUGH.get(".".join(packages))
        if last not in NO_MODULE and not {mirror, through} & there:
            missing.append(f"{name}: {mirror}")
    return missing


def test_every_module_has_its_tests():
    there = {path.relative_to(ROOT).as_posix() for path in (ROOT / "tests").rglob("test_*.py")}
    assert untested(MODULES, there) == []


def test_a_module_without_tests_is_found():
    there = {"tests/test_part.py", "tests/measure/test_walls.py"}
    runs = "def f():\n    pass"
    assert untested(dict.fromkeys(("intake.stl", "measure.walls", "measure.__init__", "cli"), runs), there) == []
    assert untested({"names": "A = 1"}, set()) == []
    assert untested({"checks.walls": runs, "intake.stl": runs}, set()) == [
        "checks.walls: tests/checks/test_walls.py",
        "intake.stl: tests/intake/test_stl.py",
    ]


# --- kept measures ---------------------------------------------------------------------------


def measured_twice(sources: Mapping[str, str]) -> list[str]:
    """Names under which different functions keep what they measured of a workpiece: one would get the other's."""
    makers: dict[str, dict[str, str]] = {}
    for name, source in sources.items():
        for node in ast.walk(ast.parse(source)):
            if not (
                isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "measured"
            ):
                continue
            if isinstance(node.args[0], ast.Constant):
                made = node.args[1].body if isinstance(node.args[1], ast.Lambda) else node.args[1]
                maker = ast.unparse(made.func if isinstance(made, ast.Call) else made)
                makers.setdefault(str(node.args[0].value), {})[maker] = name
    return [f"{kept!r}: {sorted(by.items())}" for kept, by in makers.items() if len(by) > 1]


def test_what_is_measured_once_has_a_name_of_its_own():
    # Two modules that bind functions of one name would pass; imports tell them apart.
    assert measured_twice(MODULES) == []


def test_one_name_for_two_measures_is_found():
    one, other = "w.measured('bodies', lambda: bodies(w.faces))", "w.measured('bodies', drawn, row)"
    assert measured_twice({"a": one, "b": other})
    assert measured_twice({"a": one, "b": one}) == []


# --- workbooks -------------------------------------------------------------------------------


def workbook_problems(notebook: dict[str, Any]) -> list[str]:
    """What makes a workbook more than calls, or less than a clean one."""
    problems = []
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    tagged = [cell for cell in cells if "parameters" in cell["metadata"].get("tags", [])]
    if len(tagged) != 1:
        problems.append(f"{len(tagged)} cells are tagged parameters")
    lines = 0
    for number, cell in enumerate(cells):
        source = "".join(cell["source"])
        lines += len([line for line in source.splitlines() if line.strip() and not line.strip().startswith("#")])
        if cell["outputs"] or cell["execution_count"] is not None:
            problems.append(f"cell {number} was stored with what it gave")
        if not ({"parameters", "setup"} & set(cell["metadata"].get("tags", [])) or cell["metadata"].get("title")):
            problems.append(f"cell {number} has no title")
        own_code = (
            ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.For, ast.AsyncFor, ast.While,
            ast.comprehension,
        )  # fmt: skip
        problems += [
            f"cell {number} holds code of its own: {type(node).__name__}"
            for node in ast.walk(ast.parse(source))
            if isinstance(node, own_code)
        ]
    if lines >= MOST_CODE_LINES:
        problems.append(f"{lines} lines of code")
    return problems


WORKBOOKS = sorted((ROOT / "workbooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", WORKBOOKS, ids=lambda path: path.name)
def test_workbooks_are_thin_and_stripped(path):
    assert workbook_problems(json.loads(path.read_text(encoding="utf-8"))) == []


def code_cell(source: str, **metadata: Any) -> dict[str, Any]:
    return {"cell_type": "code", "metadata": metadata, "source": [source], "outputs": [], "execution_count": None}


PARAMETERS = code_cell("a: int = 1", tags=["parameters"])


@pytest.mark.parametrize(
    ("cells", "problem"),
    [
        ([PARAMETERS, code_cell("import a", tags=["setup"]), code_cell("a.b()", title="B")], None),
        ([code_cell("a.b()", title="B")], "0 cells are tagged"),
        ([PARAMETERS, PARAMETERS], "2 cells are tagged"),
        ([PARAMETERS, code_cell("a.b()")], "no title"),
        ([PARAMETERS, code_cell("def f():\n    pass", title="F")], "FunctionDef"),
        ([PARAMETERS, code_cell("class A:\n    pass", title="A")], "ClassDef"),
        ([PARAMETERS, code_cell("for i in a:\n    i()", title="I")], "For"),
        ([PARAMETERS, code_cell("while a:\n    a()", title="W")], "While"),
        ([PARAMETERS, code_cell("f = lambda: 1", title="F")], "Lambda"),
        ([PARAMETERS, code_cell("b = [i for i in a]", title="B")], "comprehension"),
        ([PARAMETERS, code_cell("a()\n" * MOST_CODE_LINES, title="Long")], "81 lines"),
        ([PARAMETERS, code_cell("a()", title="A") | {"outputs": [{}]}], "what it gave"),
        ([PARAMETERS, code_cell("a()", title="A") | {"execution_count": 3}], "what it gave"),
    ],
)
def test_thick_and_soiled_workbooks_are_found(cells, problem):
    found = workbook_problems({"cells": cells})
    assert found == [] if problem is None else len(found) == 1 and problem in found[0]


# --- the repository --------------------------------------------------------------------------


def stray(names: Sequence[str]) -> set[str]:
    """Names at the top level that have no business there."""
    return {top for name in names if not (top := name.split("/")[0]).startswith(".") and top not in TOP_LEVEL}


def text_problems(text: str) -> list[str]:
    """Places of one computer, and what is left to be done."""
    return [word for word in (*MACHINE_PATHS, *UNFINISHED) if word in text]


def test_top_level_is_bare():
    names = tracked()
    assert stray(names) == set()
    assert TOP_LEVEL - {name.split("/")[0] for name in names} == set()


def test_strays_are_found():
    assert stray(["README.md", ".ci/run", "tests/a.py", "notes.txt", "out/a"]) == {"notes.txt", "out"}


def test_text_names_no_computer_and_nothing_undone():
    found = {}
    for name in tracked():
        content = (ROOT / name).read_bytes()
        if b"\0" not in content and (problems := text_problems(content.decode("utf-8"))):
            found[name] = problems
    assert found == {}


@pytest.mark.parametrize("word", [*MACHINE_PATHS, *UNFINISHED])
def test_forbidden_text_is_found(word):
    assert text_problems(f"see {word}x for more") == [word]


# --- the commands of the README --------------------------------------------------------------


def shell_commands(markdown: str) -> dict[str, list[list[str]]]:
    """Words of each shell command by the heading that it stands under."""
    commands: dict[str, list[list[str]]] = {}
    parts = re.split(r"^## (.*)$", markdown, flags=re.MULTILINE)
    for heading, body in zip(parts[1::2], parts[2::2], strict=True):
        for block in re.findall(r"^```sh\n(.*?)^```", body, re.DOTALL | re.MULTILINE):
            for line in block.splitlines():
                words = shlex.split(line, comments=True)
                starts = [-1, *(place for place, word in enumerate(words) if word == "&&"), len(words)]
                commands.setdefault(heading, []).extend(words[a + 1 : b] for a, b in pairwise(starts) if words)
    return commands


def command_problem(words: Sequence[str]) -> str:
    """Why a command of the README cannot work, or nothing."""
    extras = PROJECT["project"]["optional-dependencies"]
    programs = {re.split(r"[^\w-]", need)[0] for needs in extras.values() for need in needs}
    absent = [word for word in words[1:] if word.split("/")[0] in TOP_LEVEL and not (ROOT / word).exists()]
    if absent:
        return f"{absent[0]} is not there"
    match [Path(words[0]).name, *words[1:]]:
        case ["python3", "-m", "venv", _]:
            return ""
        case ["pip", "install", *options, what]:
            path, _, extra = what.rstrip("]").partition("[")
            if not set(options) <= {"-e", "-q"} or not (ROOT / path / "pyproject.toml").is_file():
                return f"{path} is not installed so"
            return "" if not extra or extra in extras else f"no extra is called {extra}"
        case [program, *arguments] if program in PROJECT["project"]["scripts"]:
            try:
                cli._parser().parse_args(arguments)
            except SystemExit:
                return f"{program} does not take {' '.join(arguments)}"
            return ""
        case [program, *_]:
            return "" if program in programs else f"nothing installs {program}"
    return "no words"


COMMANDS = shell_commands(README)


def test_the_two_commands_are_there():
    run, test = (COMMANDS[heading] for heading in ("Run", "Test"))
    assert [Path(words[0]).name for words in run] == ["python3", "pip", "reviewkit"]
    assert [Path(words[0]).name for words in test] == ["python3", "pip", "pytest"]


@pytest.mark.parametrize("words", [w for found in COMMANDS.values() for w in found], ids=lambda words: " ".join(words))
def test_commands_of_the_readme_can_work(words):
    assert command_problem(words) == ""


@pytest.mark.parametrize(
    "command",
    [
        "pip install nowhere",
        "pip install -e .[toast]",
        ".venv/bin/reviewkit review data/parts/nothing-here",
        "reviewkit review part.stl --colour red",
        "reviewkit slice part.stl",
        "make test",
    ],
)
def test_commands_that_cannot_work_are_found(command, capsys):
    ((words,),) = shell_commands(f"# T\n\n## Run\n\n```sh\n{command}  # so\n```\n").values()
    assert command_problem(words) != ""


def test_commands_are_read_from_shell_blocks_only():
    text = "## A\n```sh\nx 'y z' && w # c\n```\n```python\nnot()\n```\n## B\n```sh\nv\n```\n"
    assert shell_commands(text) == {"A": [["x", "y z"], ["w"]], "B": [["v"]]}


def test_the_command_is_an_entry_point_that_exists():
    for target in PROJECT["project"]["scripts"].values():
        module, name = target.split(":")
        assert callable(getattr(__import__(module, fromlist=[name]), name))


def test_links_of_the_documents_lead_somewhere():
    for document in ("README.md", "DEVELOPERS.md"):
        links = re.findall(r"\]\(([^)#]+)\)", (ROOT / document).read_text(encoding="utf-8"))
        assert [link for link in links if "://" not in link and not (ROOT / link).exists()] == []
