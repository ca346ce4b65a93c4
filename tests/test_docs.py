"""What is documented exists, and what is public is documented."""

import importlib.util
import inspect
import pkgutil
import re
import shlex
import tomllib
from importlib.util import find_spec
from pathlib import Path

import click
import pytest

import hetwright

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "src" / "hetwright"
TRADE = SOURCE / "trade"
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])
MODULES = sorted(
    module.name
    for module in pkgutil.walk_packages(hetwright.__path__, "hetwright.")
    if not module.name.endswith("__main__")
)


def name_of(path):
    return str(path.relative_to(ROOT))


def fences(text):
    """Contents of the fenced blocks of a page."""
    return re.findall(r"^```[^\n]*\n(.*?)^```", text, re.M | re.S)


def without_code(text):
    return re.sub(r"`[^`\n]*`", "", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S))


def slug(heading):
    """The anchor that common Markdown renderers give a heading."""
    return re.sub(r"[^\w\- ]", "", heading.strip().lower()).replace(" ", "-")


# ---- docstrings


@pytest.mark.parametrize("name", MODULES)
def test_what_a_module_makes_public_exists_and_says_what_it_is(name):
    module = importlib.import_module(name)
    assert (module.__doc__ or "").strip(), f"{name} does not say what it is for"
    for public in getattr(module, "__all__", ()):
        thing = getattr(module, public)
        if inspect.isclass(thing) or inspect.isfunction(thing):
            words = (thing.__doc__ or "").strip()
            # a dataclass without a docstring is given its own signature for one
            assert words, f"{name}.{public} has no docstring"
            assert not words.startswith(f"{thing.__name__}("), f"{name}.{public} has no docstring"


def test_every_module_says_what_is_public():
    silent = [
        name
        for name in MODULES
        if not hasattr(module := importlib.import_module(name), "__all__") and not hasattr(module, "__path__")
    ]
    assert silent == []


# ---- pages


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_relative_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", without_code(page.read_text(encoding="utf-8"))):
        if re.match(r"[a-z]+:", target):
            continue
        path, _, anchor = target.partition("#")
        there = (page.parent / path).resolve() if path else page
        assert there.exists(), f"{name_of(page)} links to {target}"
        if anchor:
            headings = re.findall(r"^#+ (.*)$", there.read_text(encoding="utf-8"), re.M)
            assert anchor in [slug(heading) for heading in headings], f"{name_of(page)} links to {target}"


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_files_that_a_page_names_exist(page):
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    bases = [ROOT, SOURCE, TRADE, page.parent]
    for named in re.findall(r"`([\w.*-]+(?:/[\w.*-]+)+\.(?:py|toml|md|txt))`", text):
        # TYPE stands for any valve type
        wanted = named.replace("TYPE", "*")
        assert any(list(base.glob(wanted)) for base in bases), f"{name_of(page)} names {named}"


def test_pages_that_the_code_names_exist():
    missing = {
        (name_of(file), named)
        for file in [*SOURCE.rglob("*.py"), *SOURCE.rglob("*.toml"), *(ROOT / "benchmarks").rglob("*.py")]
        for named in re.findall(r"docs/[\w/-]+\.md", file.read_text(encoding="utf-8"))
        if not (ROOT / named).exists()
    }
    assert missing == set()


@pytest.mark.parametrize("folder", ["docs", "docs/decisions"])
def test_every_page_is_listed(folder):
    index = ROOT / folder / "README.md"
    listed = set(re.findall(r"\]\(([^)#\s]+)\)", index.read_text(encoding="utf-8")))
    there = {page.name for page in (ROOT / folder).glob("*.md")} - {"README.md"}
    assert there <= listed, f"{folder}/README.md does not list {sorted(there - listed)}"


def rows_of_the_map():
    """Module -> row of the table in docs/architecture.md; a bare file name belongs to the room named before it."""
    rows = {}
    table = [
        line for line in (ROOT / "docs" / "architecture.md").read_text(encoding="utf-8").splitlines() if "|" in line
    ]
    for number, line in enumerate(table):
        room = ""
        for named in re.findall(r"`([\w/.]+\.py)`", line.split("|")[1]):
            room = named.rpartition("/")[0] or room
            path = named if "/" in named or not room else f"{room}/{named}"
            rows["hetwright." + path.removesuffix(".py").replace("/", ".")] = number
    return rows


def test_the_map_reads_downwards_as_the_data_goes():
    rows = rows_of_the_map()
    plain_description = "hetwright.circuit.network"
    upward = set()
    for name, row in rows.items():
        file = SOURCE.joinpath(*name.split(".")[1:]).with_suffix(".py")
        for needed in re.findall(r"^(?:from|import) ([.\w]+)", file.read_text(encoding="utf-8"), re.M):
            whole = needed
            if needed.startswith("."):
                up = len(needed) - len(needed.lstrip("."))
                whole = ".".join([*name.split(".")[:-up], needed.lstrip(".")])
            if rows.get(whole, 0) > row and whole != plain_description:
                upward.add((name, whole))
    assert len(rows) > 30
    assert upward == set()


# ---- commands


def commands_of(page):
    """Command lines in the fenced blocks of a page: those after a ``$``, or that start with a command of ours."""
    found = []
    for block in fences(page.read_text(encoding="utf-8")):
        for line in block.replace("\\\n", " ").splitlines():
            line = line.strip()
            asked = line.removeprefix("$ ")
            if line != asked or re.match(r"(\.venv/bin/\S+|make|hetwright)( |$)", asked):
                found.append(asked)
    return found


def check_hetwright(words):
    """Complain of a command or an option that the command tree does not have."""
    from hetwright.cli.app import app

    command, context, words = app, click.Context(app, info_name="hetwright"), list(words)
    while words and isinstance(command, click.Group) and not words[0].startswith("-"):
        name = words.pop(0)
        below = command.get_command(context, name)
        assert below is not None, f"there is no command {context.command_path} {name}"
        command, context = below, click.Context(below, info_name=name, parent=context)
    parameters = command.get_params(context)
    options = {option for parameter in parameters for option in parameter.opts + parameter.secondary_opts}
    for word in words:
        if re.match(r"--?[a-z]", word):
            assert word.partition("=")[0] in options, f"{context.command_path} has no option {word}"


def check_command(line):
    words = shlex.split(line, comments=True)
    for end in ("|", ">", ">>", "&&", ";"):
        if end in words:
            words = words[: words.index(end)]
    program = Path(words[0]).name
    if program == "hetwright":
        check_hetwright(words[1:])
    elif program == "make":
        targets = re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M)
        assert set(words[1:]) <= set(targets), f"the Makefile lacks a target of {line!r}"
    elif program.startswith("python"):
        if words[1:2] == ["-m"]:
            assert find_spec(words[2]) is not None, f"no module {words[2]}"
        elif words[1:] and words[1].endswith(".py"):
            assert (ROOT / words[1]).exists(), f"no script {words[1]}"


COMMANDS = sorted({(name_of(page), line) for page in PAGES for line in commands_of(page)})


@pytest.mark.parametrize(("page", "line"), COMMANDS, ids=[f"{page}: {line[:60]}" for page, line in COMMANDS])
def test_commands_that_a_page_shows_exist(page, line):
    check_command(line)


@pytest.mark.parametrize(
    "line", ["hetwright mend", "hetwright --quickly", "make tea", ".venv/bin/python benchmarks/no.py"]
)
def test_a_command_that_is_not_there_is_noticed(line):
    with pytest.raises(AssertionError):
        check_command(line)


# ---- facts of the trade


def states_a_number(value):
    if isinstance(value, list):
        return any(states_a_number(item) for item in value)
    return isinstance(value, int | float) and not isinstance(value, bool)


def unsourced(node, path="", *, covered=False):
    """Tables that state a number while neither they nor a table around them names a source."""
    if isinstance(node, dict):
        covered = covered or (isinstance(node.get("source"), str) and bool(node["source"].strip()))
        if not covered and any(states_a_number(value) for value in node.values()):
            yield path or "the file"
        for key, value in node.items():
            yield from unsourced(value, f"{path}.{key}" if path else key, covered=covered)
    elif isinstance(node, list):
        for number, value in enumerate(node):
            yield from unsourced(value, f"{path}[{number}]", covered=covered)


def sources_without_memory(document):
    """Tables whose source is given in words that do not say whether it is from memory."""
    listed = {source["id"]: source for source in document.get("source", []) if isinstance(source, dict)}

    def walk(node, path):
        if isinstance(node, dict):
            source = node.get("source")
            if isinstance(source, str) and not isinstance(listed.get(source, node).get("from_memory"), bool):
                yield f"{path or 'the file'}: {source[:40]!r}"
            for key, value in node.items():
                yield from walk(value, f"{path}.{key}" if path else key)
        elif isinstance(node, list):
            for number, value in enumerate(node):
                yield from walk(value, f"{path}[{number}]")

    return list(walk(document, ""))


FACTS = sorted(file for file in TRADE.rglob("*.toml") if file.parent.name != "demo")


def test_every_figure_of_the_trade_names_its_source():
    bare, silent = [], []
    for file in FACTS:
        document = tomllib.loads(file.read_text(encoding="utf-8"))
        if file.name == "valves_index.toml" or "generated_by" in document:
            continue  # made from other files by a module of ours; the next test
        covered = isinstance(document.get("meta", {}).get("source"), str)
        bare += [f"{file.name}: {where}" for where in unsourced(document, covered=covered)]
        silent += [f"{file.name}: {where}" for where in sources_without_memory(document)]
    assert bare == []
    assert silent == []


def test_files_made_by_a_module_name_it_and_it_exists():
    made = 0
    for file in FACTS:
        text = file.read_text(encoding="utf-8")
        by = tomllib.loads(text).get("generated_by")
        if by is None and file.name == "valves_index.toml":
            by = re.search(r"[Gg]enerated by ([\w.]+[\w])", text).group(1)
        if by is not None:
            made += 1
            assert find_spec(by) is not None, f"{file.name} was made by {by}, which is not there"
    assert made > 200


def test_a_figure_without_a_source_is_noticed():
    document = tomllib.loads(
        '[limits]\nvolts = 30.0\n[other]\nsource = "a book"\nfrom_memory = true\namps = [1, 2]\n'
    )
    assert list(unsourced(document)) == ["limits"]
    assert sources_without_memory(tomllib.loads('[a]\nsource = "a book"\n')) == ["a: 'a book'"]


# ---- what the commands print


def script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_pages_show_what_the_commands_print():
    stale = script("show_output").stale_pages()
    assert stale == [], "run .venv/bin/python tools/show_output.py, and read what has changed"


def test_what_is_left_out_of_an_output_is_marked():
    shown = script("show_output").lines_shown
    printed = "cautions\n\nPoint  Volts\nHT1    230\nHT2    200\nAVC    0\n"
    assert list(shown(printed, "Point .. HT1")) == ["...", "Point  Volts", "HT1    230", "..."]
    assert list(shown(printed, "cautions ; AVC")) == ["cautions", "...", "AVC    0"]
    assert list(shown(printed, " ")) == printed.splitlines()
    with pytest.raises(ValueError, match="HT9"):
        list(shown(printed, "HT9"))
