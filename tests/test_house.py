"""The house keeps its order: what imports what, how long files grow, what documents must say."""

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from trayvision.__main__ import _parser
from trayvision.quality_flags import Doubt

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "trayvision"
SERVICE = ROOT / "service"
PAGES = sorted((SERVICE / "pages").rglob("*.py"))

# The way of the data, a folder a step. A module imports only from its own step and those before it,
# never in a circle; the ground beneath all steps lies in no folder.
STEPS = (
    *("photo", "camera", "tags", "pose", "light", "segmentation", "measures", "score"),
    *("inspection", "growth", "warning", "attention", "overlay", "kit", "synthetic", "commands"),
    *("accuracy", "network"),
)
GROUND = (
    *("measurement", "quality_flags", "colorimetry", "vegetation_indices", "reference_kit"),
    "room_settings",
)
# Beside the ground and not of it: they stand where a person starts them.
STARTED = {"__main__": "commands", "accuracy_report": "accuracy"}

# Whole outside worlds that measuring has no business with.
_OUTSIDE_WORLDS = {
    *("asyncio", "ftplib", "http", "requests", "smtplib", "socket", "ssl", "urllib"),
    *("sqlite3", "sqlalchemy", "time", "random", "fastapi", "service"),
}
_CLOCK_CALLS = {"now", "utcnow", "today"}
_ONLY_FOR_TRAINING = ("network.",)

# What pages may name of SQLAlchemy: a connection or a table that they pass on.
_PASSED_ON = {"Connection", "Table"}
_ASKS_A_DATABASE = {"c", "execute", "scalars", "scalar", "select", "mappings"}
# Who knows the pages from outside, each with its reason.
KNOW_THE_PAGES = {
    "service/app.py": "puts the pages and the API together",
    "service/accounts/gate.py": "carries a form sent after the log-in ended through the next one",
    "service/problems.py": "answers an error as a page where a person asks for one",
}

# What a user of the library alone does not install.
_EXTRAS = (
    *("fastapi", "uvicorn", "starlette", "pydantic", "matplotlib", "torch", "mitsuba", "onnx"),
    *("sqlalchemy", "alembic", "psycopg", "pydantic_settings", "multipart", "jinja2", "fsspec"),
    *("pytest", "hypothesis", "colour", "pypdfium2", "mypy", "playwright"),
)

MAX_FILE_LINES = 300
# A test file is read one test at a time.
MAX_TEST_FILE_LINES = 550
MAX_FUNCTION_LINES = 50
# Longer files, each with its reason.
LONGER_FILES: dict[str, str] = {}

# Quantities of the record whose meaning people must be able to look up.
MEASURES = """
cover canopy_height_mm shoot_height_mm colour evenness seen sharpness light fuzz mould slime
score pose remarks
""".split()


def _name(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts).removesuffix(".__init__")


MODULES = {
    _name(path): path for path in sorted(PACKAGE.rglob("*.py")) if path != PACKAGE / "__init__.py"
}


def _statements(within: ast.AST) -> Iterator[ast.stmt]:
    """All statements, however deep; what they compute is most of a tree, and holds none."""
    for node in ast.iter_child_nodes(within):
        if isinstance(node, ast.stmt):
            yield node
        if not isinstance(node, ast.expr):
            yield from _statements(node)


@cache
def _imports(path: Path) -> tuple[str, ...]:
    return tuple(_imported(ast.parse(path.read_text(encoding="utf-8"))))


def _imported(tree: ast.Module) -> Iterator[str]:
    for node in _statements(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def _python_files() -> list[Path]:
    folders = ("trayvision", "sample_images", "service", "tests")
    return [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]


def _text_files() -> list[Path]:
    suffixes = {".py", ".md", ".toml", ".lock", ".txt", ".json", ".csv", ".sh", ""}
    inside = (
        path
        for folder in ("trayvision", "sample_images", "service", "tests", ".ci")
        for path in sorted((ROOT / folder).rglob("*"))
    )
    beside = (path for path in sorted(ROOT.iterdir()) if path.name != ".git")
    return [
        path
        for path in (*beside, *inside)
        if path.is_file() and path.suffix in suffixes and "__pycache__" not in path.parts
    ]


def _step(name: str) -> int:
    folder = STARTED.get(name, name).split(".")[0]
    if folder in STEPS:
        return STEPS.index(folder)
    assert name in GROUND, f"{name} has no place in the way of the data"
    return -1


def _own_imports(name: str) -> set[str]:
    imported = (module.removeprefix("trayvision.") for module in _imports(MODULES[name]))
    return {module for module in imported if module in MODULES and module != name}


def test_the_log_lies_beneath_the_service() -> None:
    beneath = ("service.log", "service.models", "service.settings", "service.background")
    for path in sorted((ROOT / "service" / "log").glob("*.py")):
        above = {
            name
            for name in _imports(path)
            if name.startswith("service.") and not name.startswith(beneath)
        }
        assert not above, f"{path.name} imports {above}"


@pytest.mark.parametrize("name", MODULES)
def test_module_imports_nothing_that_comes_later(name: str) -> None:
    assert sorted(module for module in _own_imports(name) if _step(module) > _step(name)) == []


def test_modules_import_in_no_circle() -> None:
    TopologicalSorter({name: _own_imports(name) for name in MODULES}).prepare()


@pytest.mark.parametrize("folder", ["service", "sample_images"])
def test_files_import_in_no_circle(folder: str) -> None:
    of_file = {
        str(path.relative_to(ROOT if folder == "service" else ROOT / folder))
        .removesuffix(".py")
        .removesuffix("/__init__")
        .replace("/", "."): path
        for path in sorted((ROOT / folder).rglob("*.py"))
    }
    TopologicalSorter(
        {name: {*_imports(path)} & {*of_file} - {name} for name, path in of_file.items()}
    ).prepare()


@pytest.mark.parametrize("name", [n for n in MODULES if not n.startswith(_ONLY_FOR_TRAINING)])
def test_module_stays_away_from_network_clock_database_and_chance(name: str) -> None:
    tops = {module.split(".")[0] for module in _imports(MODULES[name])}
    assert sorted(tops & _OUTSIDE_WORLDS) == []
    for node in ast.walk(ast.parse(MODULES[name].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            assert node.func.attr not in _CLOCK_CALLS, f"line {node.lineno} reads the clock"
            unseeded = node.func.attr == "default_rng" and not (node.args or node.keywords)
            assert not unseeded, f"line {node.lineno} draws without a seed"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(SERVICE)))
def test_page_asks_no_database_itself(path: Path) -> None:
    imported = set(_imports(path))
    assert "service.log.entries.current" not in imported
    assert [one for one in imported if one.startswith(("sqlalchemy.", "sqlite3", "psycopg"))] == []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute):
            of_sqlalchemy = isinstance(node.value, ast.Name) and node.value.id == "sa"
            assert not of_sqlalchemy or node.attr in _PASSED_ON, f"line {node.lineno}"
            assert node.attr not in _ASKS_A_DATABASE, f"line {node.lineno}"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(SERVICE)))
def test_page_takes_nothing_from_the_api(path: Path) -> None:
    assert [one for one in _imports(path) if one.startswith("service.api")] == []


# Which rows are meant, and how many are few, is decided before a template shows them.
_DECIDES = re.compile(r"(?:reject|select)attr|\|length\s*[<>]=?\s*(?:[2-9]|\d\d|[A-Z])")


@pytest.mark.parametrize(
    "path",
    sorted((SERVICE / "templates").rglob("*.html")),
    ids=lambda path: str(path.relative_to(SERVICE)),
)
def test_template_chooses_no_rows(path: Path) -> None:
    said = re.findall(r"{[{%].*?[%}]}", path.read_text(encoding="utf-8"), re.DOTALL)
    assert [one for one in said if _DECIDES.search(one)] == []


def test_pages_show_templates_of_their_own_folder() -> None:
    for path in PAGES:
        shown = re.findall(r'"(\w+)/\w+\.html"', path.read_text(encoding="utf-8"))
        assert set(shown) <= {path.parent.name}, path


def test_nothing_beneath_the_pages_knows_them() -> None:
    known = {
        str(path.relative_to(ROOT))
        for path in sorted(SERVICE.rglob("*.py"))
        if path not in PAGES and any(one.startswith("service.pages") for one in _imports(path))
    }
    assert known == set(KNOW_THE_PAGES)


@pytest.mark.parametrize("tested", [PACKAGE, SERVICE], ids=lambda path: path.name)
def test_tests_lie_in_the_folders_of_what_they_test(tested: Path) -> None:
    tests = ROOT / "tests" if tested == PACKAGE else ROOT / "tests" / tested.name
    folders = {path.parent for path in tests.rglob("test_*.py")} - {tests}
    at_home = {"service", "pages"} if tested == PACKAGE else set()
    elsewhere = {folder.relative_to(tests).parts[0] for folder in folders} - at_home
    assert sorted(name for name in elsewhere if not (tested / name).is_dir()) == []


def test_files_stay_short() -> None:
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in _python_files()
    }
    too_long = {
        name: lines
        for name, lines in lengths.items()
        if lines > _most_lines(name) and name not in LONGER_FILES
    }
    assert too_long == {}
    assert [name for name in LONGER_FILES if lengths.get(name, 0) <= _most_lines(name)] == []


def _most_lines(name: str) -> int:
    return MAX_TEST_FILE_LINES if name.startswith("tests/") else MAX_FILE_LINES


def test_functions_stay_short() -> None:
    too_long = [
        f"{path.relative_to(ROOT)}:{node.lineno} {node.name}"
        for path in _python_files()
        for node in _statements(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and _body_lines(node) > MAX_FUNCTION_LINES
    ]
    assert too_long == []


def _body_lines(function: ast.FunctionDef) -> int:
    """Lines of a function without its docstring."""
    first = function.body[0]
    documented = ast.get_docstring(function) is not None
    docstring = (first.end_lineno or 0) - first.lineno + 1 if documented else 0
    return (function.end_lineno or 0) - function.lineno + 1 - docstring


def _run(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_library_needs_no_extra() -> None:
    modules = [
        f"trayvision.{name}" for name in MODULES if not name.startswith(("accuracy", "network."))
    ]
    assert len(modules) > 20
    _run(
        f"""
import importlib, sys
class Absent:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {_EXTRAS!r}:
            raise ModuleNotFoundError(name)
sys.meta_path.insert(0, Absent())
for name in {modules!r}:
    importlib.import_module(name)
"""
    )


def test_library_declares_what_it_imports() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {re.split(r"[<>=~\[; ]", line)[0] for line in project["dependencies"]}
    module_of = {"opencv-python-headless": "cv2", "scikit-image": "skimage", "pillow": "PIL"}
    known = {module_of.get(name, name.replace("-", "_")) for name in declared}
    tops = {
        module.split(".")[0]
        for name, path in MODULES.items()
        if not name.startswith(("accuracy", "network."))
        for module in _imports(path)
    }
    assert sorted(tops - known - set(sys.stdlib_module_names) - {"trayvision"}) == []


def test_help_waits_for_no_image_library() -> None:
    loaded = _run(
        """
import contextlib, io, sys
from trayvision.__main__ import main
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    main(["--help"])
print(*sys.modules)
"""
    ).split()
    heavy = {"cv2", "skimage", "scipy", "numpy", "PIL", "reportlab", "matplotlib", "fastapi"}
    assert sorted(heavy & set(loaded)) == []


def _locked() -> dict[str, str]:
    """Pinned requirement lines of the lock file, continued lines joined, by name."""
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line and not line.lstrip().startswith("#")]
    return {line.split("==")[0]: line for line in lines}


def test_lock_pins_every_package_by_hash() -> None:
    for name, line in _locked().items():
        assert re.match(r"^[a-z0-9-]+==[^ ]+ ", line), name
        assert re.search(r"--hash=sha256:[0-9a-f]{64}", line), name


def test_lock_covers_what_the_project_declares() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    declared = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    for group in project["project"]["optional-dependencies"].values():
        declared += group
    for group in project["dependency-groups"].values():
        declared += group
    names = {re.split(r"[<>=~\[; ]", requirement)[0] for requirement in declared}
    assert sorted(names - set(_locked())) == []


def test_files_name_no_registry_and_no_place_on_a_machine() -> None:
    # Put together here, so that this file does not name them either.
    hosts = ["py" + "pi.org", "python" + "hosted.org", "npm" + "js.org", "debian" + ".org"]
    places = [f"/{folder}/" for folder in ("work", "root", "tmp")]
    forbidden = re.compile(
        "|".join([*map(re.escape, hosts), *(rf"(?<![\w.$}}]){place}" for place in places)])
    )
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in _text_files()
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if forbidden.search(line)
    ]
    assert found == []


def _commands() -> dict[str, list[str]]:
    """Every command with its options, as the parser itself knows them."""
    commands = next(
        action.choices for action in _parser()._actions if isinstance(action.choices, dict)
    )
    return {
        name: [
            option
            for action in command._actions
            for option in action.option_strings
            if option not in ("-h", "--help")
        ]
        for name, command in commands.items()
    }


@pytest.fixture(scope="module")
def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", _commands())
def test_readme_describes_every_command_and_option(readme: str, command: str) -> None:
    assert f"trayvision {command}" in readme
    assert [option for option in _commands()[command] if option not in readme] == []


@pytest.mark.parametrize("measure", MEASURES)
def test_readme_describes_every_measure(readme: str, measure: str) -> None:
    assert f"`{measure}`" in readme


@pytest.mark.parametrize("doubt", Doubt)
def test_readme_lists_every_doubt(readme: str, doubt: Doubt) -> None:
    assert f"| `{doubt.value}` | {doubt.sentence} |" in readme


def test_make_targets_are_documented() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = re.search(r"^\.PHONY: (.*)$", makefile, re.MULTILINE)
    assert targets is not None
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert [name for name in targets.group(1).split() if f"`make {name}`" not in guide] == []
