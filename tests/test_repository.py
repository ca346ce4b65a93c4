"""The repository: nothing of one machine in it, versions pinned, one version, and no promise that all is well."""

import ast
import re
import subprocess
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pytest

import hetwright

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "src" / "hetwright"
NOT_OURS = {
    ".venv",
    ".git",
    "__pycache__",
    ".hypothesis",
    ".pytest_cache",
    ".mypy_cache",
    ".ruff_cache",
    "build",
    "dist",
}


def tracked_files():
    """Files under version control, or in an unpacked archive every file that is not made by a tool."""
    if (ROOT / ".git").exists():
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True)
        files = [ROOT / name for name in listed.stdout.split("\0") if name]
        return [file for file in files if file.is_file()]
    return [file for file in ROOT.rglob("*") if file.is_file() and not NOT_OURS & set(file.relative_to(ROOT).parts)]


def text_of(file):
    try:
        return file.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        return ""


def found_in_files(pattern):
    wanted = re.compile(pattern, re.I)
    return [
        f"{file.relative_to(ROOT)}: {found.group(0)}"
        for file in tracked_files()
        for found in wanted.finditer(text_of(file))
    ]


# the parts are joined here so that this file does not contain what it looks for
MACHINE = r"(?<![\w.:/)}-])/(?:" + "|".join(["home", "work", "root", "Users", "mnt", "srv", "tmp"]) + r")/\w"
DRIVE = r"\b[A-Z]:\\\\?" + r"[A-Z]\w"
REGISTRY = "|".join(
    [
        "py" + r"pi\.",
        "python" + "hosted",
        "--(?:extra-)?index" + "-url",
        "--find" + "-links",
        "arti" + "factory",
        "dev" + "pi",
    ]
)


def test_no_path_of_one_machine():
    assert found_in_files(MACHINE) == []
    assert found_in_files(DRIVE) == []


def test_no_address_of_a_package_registry():
    assert found_in_files(REGISTRY) == []


@pytest.mark.parametrize(
    ("pattern", "text"),
    [
        (MACHINE, "see /" + "home/anna/sets"),
        (MACHINE, '"/' + 'tmp/x.toml"'),
        (DRIVE, "C:" + "\\Sets"),
        (REGISTRY, "pip --index" + "-url"),
        (REGISTRY, "https://py" + "pi.org"),
    ],
)
def test_such_a_path_or_address_is_noticed(pattern, text):
    assert re.search(pattern, text, re.I)


@pytest.mark.parametrize("text", ["https://example.org/home/page", "<root>/laws/x", "trade/laws", "ratio V/home"])
def test_an_address_of_a_source_is_no_path(text):
    assert not re.search(MACHINE, text, re.I)


# ---- versions


def plain(name):
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned():
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_every_constraint_is_a_name_and_one_version():
    for line in pinned():
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[0-9][A-Za-z0-9.]*", line), line
    names = [plain(line.partition("==")[0]) for line in pinned()]
    assert len(names) == len(set(names))


def test_everything_we_depend_on_is_pinned():
    names = {plain(line.partition("==")[0]) for line in pinned()}
    asked = [*project()["dependencies"], *project()["optional-dependencies"]["dev"], "setuptools", "wheel"]
    assert {plain(re.match(r"[A-Za-z0-9._-]+", one).group(0)) for one in asked} <= names


def test_what_is_installed_is_what_is_pinned():
    differing = []
    for line in pinned():
        name, _, wanted = line.partition("==")
        try:
            installed = version(name)
        except PackageNotFoundError:
            continue  # of another platform
        if installed != wanted:
            differing.append(f"{name} {installed}, pinned {wanted}")
    assert differing == []


def test_one_version():
    headings = re.findall(r"^## (\d+\.\d+\.\d+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.M)
    assert headings[0] == hetwright.__version__ == project()["version"]
    numbers = [tuple(map(int, heading.split("."))) for heading in headings]
    assert numbers == sorted(numbers, reverse=True)


# ---- the same checks before a commit, here and elsewhere


def test_checks_before_a_commit_are_those_of_make():
    hooks = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"repo: (\S+)", hooks) == ["local"]
    assert set(re.findall(r"language: (\S+)", hooks)) == {"system"}
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    asked = []
    for target in ("lint", "types"):
        recipe = re.search(rf"^{target}:.*\n((?:\t.*\n)+)", makefile, re.M).group(1)
        asked += [line.strip().replace("$(BIN)", ".venv/bin") for line in recipe.splitlines()]
    assert re.findall(r"entry: (.+)", hooks) == asked


def test_elsewhere_runs_the_same_tests():
    assert re.search(r"^exec make test$", (ROOT / ".ci" / "run").read_text(encoding="utf-8"), re.M)


# ---- no promise that all is well

ALL_IS_WELL = re.compile(
    r"\b(safe|safely|harmless|risk-free|without (?:risk|danger)|no (?:danger|risk)"
    r"|no hazards?(?: (?:is|are|was|were))? (?:found|seen|left|present))\b",
    re.I,
)
# what comes before it may turn it round: "not proved safe", "never a safe one"
TURNED_ROUND = re.compile(r"\b(not|never|nothing|none|no|nor|cannot|does not)\b(?:\W+\w+){0,4}\W*$", re.I)


def promises(text):
    """Words that say a thing is without danger, unless the words before say it is not."""
    return [
        found.group(0)
        for found in ALL_IS_WELL.finditer(text)
        if not TURNED_ROUND.search(re.split(r"[.;:]", text[: found.start()])[-1])
    ]


def spoken_in(file):
    """Texts of a source file that a person may be shown: string constants that are not docstrings."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    silent = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        # the docstring of a command is its help text
        and not any(
            "command" in ast.unparse(one) or "group" in ast.unparse(one)
            for one in getattr(node, "decorator_list", ())
        )
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
            yield node.value


def strings_of(node):
    if isinstance(node, str):
        yield node
    elif isinstance(node, dict):
        for value in node.values():
            yield from strings_of(value)
    elif isinstance(node, list):
        for value in node:
            yield from strings_of(value)


def test_nothing_we_print_says_that_a_thing_is_without_danger():
    said = [(file.name, text) for file in SOURCE.rglob("*.py") for text in spoken_in(file)]
    for file in SOURCE.rglob("*.toml"):
        if file.parent.name not in ("valves", "laws"):
            said += [(file.name, text) for text in strings_of(tomllib.loads(file.read_text(encoding="utf-8")))]
    said += [(file.name, file.read_text(encoding="utf-8")) for file in SOURCE.rglob("*.txt")]
    assert len(said) > 5000
    assert [(name, text) for name, text in said if promises(text)] == []


@pytest.mark.parametrize(
    "text", ["The set is safe.", "Not earthed. It can be handled safely", "no hazard found", "Harmless"]
)
def test_a_promise_is_noticed(text):
    assert promises(text)


@pytest.mark.parametrize("text", ["never proved safe", "Safety class Y2", "This does not make the set safe to touch"])
def test_a_warning_is_no_promise(text):
    assert not promises(text)


# ---- the shell stays outside the core


def imports_of(file):
    """Modules that a file imports, relative ones made whole."""
    package = ["hetwright", *file.relative_to(SOURCE).parts[:-1]]
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            module = ".".join([*base, *([node.module] if node.module else [])])
            for alias in node.names:
                whole = f"{module}.{alias.name}"
                yield whole if whole in FILES else module


def name_of_module(file):
    parts = ["hetwright", *file.relative_to(SOURCE).with_suffix("").parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {name_of_module(file): file for file in SOURCE.rglob("*.py")}


def test_only_the_command_line_knows_of_terminals():
    shell = {
        (name, imported)
        for name, file in FILES.items()
        if not name.startswith("hetwright.cli")
        for imported in imports_of(file)
        if imported.partition(".")[0] in ("click", "rich") or imported.startswith("hetwright.cli")
    }
    assert shell == set()


def test_no_module_of_the_core_needs_itself_by_way_of_another():
    core = {name: file for name, file in FILES.items() if not name.startswith("hetwright.cli")}
    needs = {name: {one for one in imports_of(file) if one in core} - {name} for name, file in core.items()}
    while free := {name for name, those in needs.items() if not those}:
        needs = {name: those - free for name, those in needs.items() if name not in free}
    assert needs == {}
